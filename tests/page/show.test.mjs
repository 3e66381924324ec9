// What the page shows, for eyes, hands, keys and ears.

import assert from "node:assert/strict";
import { after, test } from "node:test";
import { createHash } from "node:crypto";
import { AxeBuilder } from "@axe-core/playwright";
import { DESK, PHONE, close, number, opened } from "./browser.mjs";
import { HOSTILE, demo, hostile } from "./jobs.mjs";

const { page: path, html, review } = demo();
after(close);

const quiet = (view) => assert.deepEqual(view.said, [], "nothing on the console");

test("it loads from a file without network, asks for nothing else and says nothing", async () => {
  const view = await opened(path);
  assert.equal(await view.page.locator("h1").textContent(), review.plan.cable);
  assert.deepEqual(view.asked, [`file://${path}`]);
  assert.match(await view.page.locator(".counts").textContent(), new RegExp(`${review.counts.measured} of ${review.counts.planned} planned`));
  assert.match(await view.page.locator("header").textContent(), /never look into one/);
  quiet(view);
  await view.end();
});

test("each cell of the matrix is the document's verdict", async () => {
  const view = await opened(path);
  let cells = 0;
  for (const t of review.tests.filter((one) => one.verdict !== "superseded")) {
    const cell = view.page.locator(`tr[data-fiber="${t.fiber}"] td[data-nm="${t.wavelength_nm}"][data-direction="${t.direction}"]`);
    assert.equal(await cell.textContent(), t.verdict);
    cells++;
  }
  assert.equal(cells, review.counts.planned);
  await view.end();
});

test("its policy allows its own script and style and nothing else", async () => {
  const policy = /http-equiv="Content-Security-Policy" content="([^"]*)"/.exec(html)[1];
  for (const [name, element] of [["script", /<script>([^]*?)<\/script>/], ["style", /<style>([^]*?)<\/style>/]]) {
    const hash = createHash("sha256").update(element.exec(html)[1]).digest("base64");
    assert.ok(policy.includes(`${name}-src 'sha256-${hash}'`), policy);
  }
  assert.match(policy, /default-src 'none'/);
  const view = await opened(path);
  await view.page.evaluate(() => {
    const script = document.createElement("script");
    script.textContent = "window.struck = 1";
    document.body.append(script);
  });
  assert.equal(await view.page.evaluate(() => window.struck), undefined);
  await view.end();
});

test("filters leave the fibres that the document says", async () => {
  const view = await opened(path);
  const rows = () => view.page.locator("tr[data-fiber]").evaluateAll((all) => all.map((row) => Number(row.dataset.fiber)));
  const fibers = (keep) => review.fibers.filter(keep).map((f) => f.fiber);
  const has = (word) => (f) => f.verdict === word || review.tests.some((t) => t.fiber === f.fiber && t.verdict === word);
  for (const word of ["fail", "undecided", "missing"]) {
    const wanted = fibers(has(word));
    assert.ok(wanted.length > 0 && wanted.length < review.fibers.length, word);
    await view.page.click(`.chip[data-state="${word}"]`);
    assert.deepEqual(await rows(), wanted);
    assert.equal(await view.page.getAttribute(`.chip[data-state="${word}"]`, "aria-pressed"), "true");
    assert.match(await view.page.textContent("#filter-says"), new RegExp(`^${wanted.length} of ${review.fibers.length}`));
    await view.page.click(`.chip[data-state="${word}"]`);
  }
  await view.page.selectOption("#filter-joint", "C2");
  assert.deepEqual(await rows(), fibers((f) => f.findings.some((one) => one.where === "C2")));
  assert.match(await view.page.textContent(".matrix thead"), /C2, 1550 nm/);
  await view.page.click("#filter-clear");
  const operators = [...new Set(review.tests.map((t) => t.operator).filter(Boolean))];
  await view.page.selectOption("#filter-operator", operators[0]);
  assert.deepEqual(await rows(), fibers((f) => review.tests.some((t) => t.fiber === f.fiber && t.operator === operators[0])));
  await view.page.click("#filter-clear");
  assert.equal((await rows()).length, review.fibers.length);
  quiet(view);
  await view.end();
});

test("the worklist holds every fault with what to do next, and leads to its place", async () => {
  const view = await opened(path);
  const faults = review.fibers.flatMap((f) => f.findings.filter((one) => one.severity === "fault"));
  assert.equal(await view.page.locator(".worklist .task.is-fault").count(), faults.length);
  const text = await view.page.textContent(".worklist");
  for (const fault of faults) assert.ok(text.includes(fault.says) && text.includes(fault.next), fault.says);
  const placed = review.fibers.find((f) => f.findings.some((one) => one.at_m != null));
  const at_m = placed.findings.find((one) => one.at_m != null).at_m;
  await view.page.click(`.worklist a[href="#fiber-${placed.fiber}@${at_m}"]`);
  const chart = view.page.locator(".chart");
  assert.ok((await number(chart, "data-from-m")) < at_m && at_m < (await number(chart, "data-to-m")));
  assert.ok((await number(chart, "data-to-m")) - (await number(chart, "data-from-m")) < 1000);
  await view.end();
});

test("a click on a cell opens its fibre with that trace in front, and the way back is one step", async () => {
  const view = await opened(path);
  await view.page.click('tr[data-fiber="4"] td[data-nm="1550"][data-direction="b-to-a"]');
  assert.match(await view.page.textContent("#fiber-title"), /Fibre 4 .*brown.*fail/);
  assert.match(await view.page.textContent("#events caption"), /1550 nm from b/);
  for (const f of review.fibers[3].findings) assert.ok((await view.page.textContent("#fiber")).includes(f.says));
  await view.page.goBack();
  await view.page.waitForSelector("#overview", { state: "visible" });
  quiet(view);
  await view.end();
});

test("the tables of a fibre are the document's figures", async () => {
  const view = await opened(path, DESK, "#fiber-3");
  const fiber = review.fibers[2];
  const rows = await view.page.locator("#joints tbody tr").evaluateAll((all) => all.map((row) => [...row.children].map((c) => c.textContent)));
  assert.equal(rows.length, fiber.joints.length);
  rows.forEach((row, i) => {
    const joint = fiber.joints[i];
    assert.equal(row[0], joint.name);
    const [place, sigma] = row[1].split("\u00b1").map((text) => Number(text.replace(/[^\d.]/g, "")));
    assert.equal(place.toFixed(1), joint.at_m.toFixed(1));
    assert.equal(sigma ?? 0, joint.at_sigma_m > 0 ? Number(Math.max(0.1, joint.at_sigma_m).toFixed(1)) : 0);
    assert.match(row[3], new RegExp(`^\u2212?${Math.abs(joint.loss_from_a_db).toFixed(3)} \u00b1 `));
    assert.equal(Number(row[5].split(" ")[0].replace("\u2212", "-")), Number(joint.loss_db.toFixed(3)));
    assert.equal(row[8], joint.verdict);
  });
  await view.end();
});

test("the levels in view are the fibre's, and a button shows every peak and the noise", async () => {
  const view = await opened(path, DESK, "#fiber-3");
  const chart = view.page.locator(".chart");
  const levels = async () => [await number(chart, "data-low-db"), await number(chart, "data-high-db")];
  const [low, high] = await levels();
  // Levels count from each trace's brightest sample, so that 0 is the highest peak; what the fibre
  // loses between its ends is the document's, the most of both wavelengths.
  const lost = Math.max(...review.fibers[2].links.map((l) => l.loss_db));
  assert.ok(high < 0 && high - low > lost && high - low < 4 * lost + 6, `${low} to ${high} for ${lost} dB`);
  await view.page.click("#peaks");
  assert.equal(await view.page.getAttribute("#peaks", "aria-pressed"), "true");
  const [lowest, highest] = await levels();
  assert.ok(highest >= 0 && lowest < low - 3, `${lowest} to ${highest}`);
  await view.page.click("#peaks");
  assert.deepEqual(await levels(), [low, high]);
  quiet(view);
  await view.end();
});

test("hidden traces are neither drawn nor read, and the events are those of the trace chosen", async () => {
  const view = await opened(path, DESK, "#fiber-3");
  const pixels = () => view.page.locator(".chart canvas").evaluate((c) => c.toDataURL());
  const before = await pixels();
  await view.page.locator(".legend input[type=checkbox]").first().uncheck();
  await view.page.waitForTimeout(50);
  assert.notEqual(await pixels(), before);
  assert.equal(await view.page.locator("#readings tr[data-trace]").count(), 3);
  await view.page.locator(".legend input[type=radio]").nth(3).check();
  assert.match(await view.page.textContent("#events caption"), /1550 nm from b/);
  await view.end();
});

test("everything goes by keyboard alone", async () => {
  const view = await opened(path);
  const { keyboard } = view.page;
  const focused = () => view.page.evaluate(() => document.activeElement.getAttribute("aria-label") ?? document.activeElement.textContent);
  const tab_to = async (wanted) => {
    for (let i = 0; i < 80; i++) {
      await keyboard.press("Tab");
      if (wanted.test((await focused()) ?? "")) return;
    }
    assert.fail(`Tab never comes to ${wanted}`);
  };
  await keyboard.press("Tab");
  assert.match(await focused(), /Skip/);
  await tab_to(/^fibre 3/);
  await keyboard.press("Enter");
  await view.page.waitForFunction(() => document.activeElement.id === "fiber-title"); // the focus goes to the fibre's heading
  assert.match(await focused(), /^Fibre 3/);
  await tab_to(/^Traces of fibre 3/);
  const chart = view.page.locator(".chart");
  const seen = async () => [await number(chart, "data-from-m"), await number(chart, "data-to-m")];
  const whole = await seen();
  await keyboard.press("+");
  const near = await seen();
  assert.ok(Math.abs((near[1] - near[0]) / (whole[1] - whole[0]) - 0.7) < 0.01);
  await keyboard.press("ArrowRight");
  assert.ok((await seen())[0] > near[0]);
  await keyboard.press("PageUp");
  assert.ok((await seen())[1] - (await seen())[0] < 1000, "zoomed on an event");
  await keyboard.press("0");
  assert.deepEqual(await seen(), whole);
  await tab_to(/^Cursor A/);
  const cursor = view.page.locator(".cursor-a");
  const at = await number(cursor, "aria-valuenow");
  for (let i = 0; i < 10; i++) await keyboard.press("ArrowRight");
  const ten = (await number(cursor, "aria-valuenow")) - at;
  await keyboard.press("Shift+ArrowRight");
  const more = (await number(cursor, "aria-valuenow")) - at - ten;
  assert.ok(ten > 5 && Math.abs(ten - more) < 0.2, `ten steps ${ten} m, one with Shift ${more} m`);
  assert.match(await cursor.getAttribute("aria-valuetext"), /\sm$/);
  await keyboard.press("Escape");
  await view.page.waitForSelector("#overview", { state: "visible" });
  assert.match(await focused(), /^fibre 3/, "back where one was");
  quiet(view);
  await view.end();
});

test("from fibre to fibre the same stretch and cursors stay in view, and the keys where they are", async () => {
  const view = await opened(path, DESK, "#fiber-3@3115.7");
  const chart = view.page.locator(".chart");
  const seen = async () => [await number(chart, "data-from-m"), await number(chart, "data-to-m"), await number(view.page.locator(".cursor-a"), "aria-valuenow")];
  const before = await seen();
  await view.page.focus("#traces");
  await view.page.keyboard.press("n");
  await view.page.waitForFunction(() => /Fibre 4/.test(document.getElementById("fiber-title").textContent));
  assert.deepEqual(await seen(), before);
  await view.page.keyboard.press("p");
  await view.page.waitForFunction(() => /Fibre 3/.test(document.getElementById("fiber-title").textContent));
  await view.page.click("#all-fibers");
  await view.page.click('tr[data-fiber="4"] a');
  assert.ok((await seen())[1] - (await seen())[0] > 5000, "from the matrix one sees the whole");
  quiet(view);
  await view.end();
});

test("the readings are said once the cursors stand still", async () => {
  const view = await opened(path, DESK, "#fiber-3@3115.7");
  const status = view.page.locator(".readout [role=status]");
  await view.page.waitForFunction(() => document.querySelector(".readout [role=status]").textContent !== "");
  const fitted = await view.page.locator("#readings tbody tr").first().locator("[data-fitted-db]").textContent();
  assert.ok((await status.textContent()).includes(`fitted loss ${fitted}`));
  await view.end();
});

test("wheel, drag and double click move the view; a click brings the nearer cursor", async () => {
  const view = await opened(path, DESK, "#fiber-3");
  const chart = view.page.locator(".chart");
  const seen = async () => [await number(chart, "data-from-m"), await number(chart, "data-to-m")];
  const whole = await seen();
  const box = await view.page.locator(".u-over").boundingBox();
  const [x, y] = [Math.round(box.x + 0.3 * box.width), Math.round(box.y + 0.5 * box.height)];
  const share = (x - box.x) / box.width;
  await view.page.mouse.move(x, y);
  await view.page.mouse.wheel(0, -300);
  const near = await seen();
  const under = (view_m) => view_m[0] + share * (view_m[1] - view_m[0]);
  assert.ok(near[1] - near[0] < 0.5 * (whole[1] - whole[0]));
  assert.ok(Math.abs(under(near) - under(whole)) < 2, "the place under the pointer stays");
  await view.page.mouse.down();
  await view.page.mouse.move(x - 0.1 * box.width, y, { steps: 5 });
  await view.page.mouse.up();
  const moved = await seen();
  assert.ok(Math.abs(moved[0] - near[0] - 0.1 * (near[1] - near[0])) < 3);
  await view.page.mouse.click(x, y);
  const at = await Promise.all(["a", "b"].map((c) => number(view.page.locator(`.cursor-${c}`), "aria-valuenow")));
  assert.ok(Math.min(...at.map((one) => Math.abs(one - under(moved)))) < 2, `${at} against ${under(moved)}`);
  await view.page.mouse.dblclick(x, y);
  assert.deepEqual(await seen(), whole);
  quiet(view);
  await view.end();
});

test("two fingers pinch", async () => {
  const view = await opened(path, PHONE, "#fiber-3");
  const chart = view.page.locator(".chart");
  const width = async () => (await number(chart, "data-to-m")) - (await number(chart, "data-from-m"));
  const whole = await width();
  await view.page.locator(".u-over").scrollIntoViewIfNeeded();
  const box = await view.page.locator(".u-over").boundingBox();
  const [x, y] = [box.x + 0.5 * box.width, box.y + 0.5 * box.height];
  const touch = await view.page.context().newCDPSession(view.page);
  const fingers = (type, apart) => touch.send("Input.dispatchTouchEvent", { type, touchPoints: apart == null ? [] : [{ x: x - apart, y, id: 1 }, { x: x + apart, y, id: 2 }] });
  await fingers("touchStart", 30);
  for (let apart = 35; apart <= 60; apart += 5) await fingers("touchMove", apart);
  await fingers("touchEnd");
  assert.ok(Math.abs((await width()) / whole - 0.5) < 0.05, `${await width()} of ${whole} m`);
  quiet(view);
  await view.end();
});

test("a phone of 375 pixels needs no sideways scrolling of the page", async () => {
  for (const hash of ["", "#fiber-4", "#fiber-3@3115.7"]) {
    const view = await opened(path, PHONE, hash);
    assert.equal(await view.page.evaluate(() => document.documentElement.scrollWidth), 375, hash);
    const small = await view.page.locator("button:visible, select:visible").evaluateAll((all) => all.filter((e) => e.getBoundingClientRect().height < 24).map((e) => e.outerHTML));
    assert.deepEqual(small, [], "targets of at least 24 pixels: WCAG 2.2, 2.5.8");
    quiet(view);
    await view.end();
  }
});

test("an accessibility checker finds nothing, light and dark, wide and narrow", async () => {
  // Everything once; in the dark the colours, on a phone what its own layout changes.
  const light = (axe) => axe, dark = (axe) => axe.withRules(["color-contrast"]), narrow = (axe) => axe.withTags(["cat.tables", "cat.structure", "wcag22aa"]);
  for (const [options, rules] of [[DESK, light], [{ ...DESK, colorScheme: "dark" }, dark], [PHONE, narrow]]) {
    for (const hash of ["", "#fiber-3@3115.7"]) {
      const view = await opened(path, options, hash);
      for (const summary of await view.page.locator("summary:visible").all()) await summary.click();
      const { violations, passes } = await rules(new AxeBuilder({ page: view.page })).analyze();
      assert.ok(passes.length > 0, "it looked at something");
      assert.deepEqual(violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(" ")}`), []);
      await view.end();
    }
  }
});

test("paper shows the worklist with boxes to tick and traces that fit, and no controls", async () => {
  const view = await opened(path, { ...DESK, colorScheme: "dark" });
  await view.page.emulateMedia({ media: "print" });
  assert.ok(!(await view.page.isVisible(".filters")));
  assert.ok(await view.page.locator(".box").first().isVisible());
  await view.page.evaluate(() => { location.hash = "fiber-3"; });
  await view.page.waitForSelector(".chart canvas");
  await view.page.setViewportSize({ width: 718, height: 1000 }); // A4 between margins of 10 mm, at 96 dots an inch
  assert.ok(!(await view.page.isVisible(".tools")));
  assert.ok((await view.page.locator(".chart canvas").boundingBox()).width <= 718);
  const wide = await view.page.locator("#fiber *:visible").evaluateAll((all) => all.filter((e) => e.getBoundingClientRect().right > 719).map((e) => e.outerHTML.slice(0, 80)));
  assert.deepEqual(wide, [], "nothing runs off the paper");
  await view.end();
});

test("without scripts it says where the figures stand", async () => {
  const view = await opened(path, { ...DESK, javaScriptEnabled: false });
  assert.match(await view.page.textContent("main"), /review\.json/);
  assert.match(await view.page.textContent("header"), /never look into one/);
  await view.end();
});

test("hostile labels are shown as text and do nothing", async () => {
  const job = hostile();
  for (const hash of ["", "#fiber-1", "#fiber-1@1612.4"]) {
    const view = await opened(job.page, DESK, hash);
    if (hash === "") await view.page.locator("#joint-map summary").click();
    await view.page.waitForTimeout(100);
    assert.equal(await view.page.evaluate(() => window.struck), undefined);
    assert.equal(await view.page.locator("img, i, b, svg[onload]").count(), 0);
    const text = await view.page.textContent("body");
    const seen = await view.page.evaluate(() => document.body.innerText);
    assert.ok(!/[\u001b\u202e]/.test(seen), "what acts is made visible");
    assert.equal(await view.page.textContent("h1"), HOSTILE.cable);
    assert.ok(text.includes(HOSTILE.end_a) && text.includes(HOSTILE.end_b));
    if (hash !== "") {
      assert.ok(seen.includes("\\u{1b}[31mred"), "the operator");
      assert.ok(seen.includes(HOSTILE.joint));
    }
    quiet(view);
    await view.end();
  }
  const view = await opened(job.page);
  await view.page.selectOption("#filter-joint", { index: 2 });
  await view.page.selectOption("#filter-operator", { index: 1 });
  await view.page.click("#filter-clear");
  quiet(view);
  await view.end();
});
