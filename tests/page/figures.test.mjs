// What the page's cursors read, against the files themselves and against what the program found.

import assert from "node:assert/strict";
import { after, test } from "node:test";
import { join } from "node:path";
import { statSync } from "node:fs";
import { DESK, close, number, opened } from "./browser.mjs";
import { demo, large, levels, root, run } from "./jobs.mjs";

const { page: path, review } = demo();
const found = JSON.parse(run(["events", "traces/job", "--json", "--launch", "300", "--tail", "300"])).traces;
after(close);

const FIBER = 3;
const test_of = (nm, direction) => review.tests.find((t) => t.fiber === FIBER && t.wavelength_nm === nm && t.direction === direction);
const found_in = (file) => found.find((one) => one.file === file);

/** Types the places of both cursors. */
async function set(page, a_m, b_m) {
  for (const [name, place] of [["a", a_m], ["b", b_m]]) {
    await page.fill(`#place-${name}`, String(place));
    await page.press(`#place-${name}`, "Enter");
  }
}

/** The readings of one trace by its place in the legend. */
async function read(page, row) {
  const cells = page.locator("#readings tbody tr").nth(row);
  const value = async (key) => {
    const cell = cells.locator(`[data-${key}]`);
    return (await cell.count()) ? number(cell, `data-${key}`) : null;
  };
  return { two_point_db: await value("two-point-db"), fitted_db: await value("fitted-db"), fitted_sigma_db: await value("fitted-db-sigma"),
    db_per_km: await value("db-per-km"), db_per_km_sigma: await value("db-per-km-sigma"), step_db: await value("step-db"), step_sigma_db: await value("step-db-sigma") };
}

/** The least-squares line through raw samples, straight from its definition. */
function plain_line(all, from, to) {
  const x = [], y = [];
  for (let i = from; i < to; i++) x.push(i), y.push(all[i]);
  const mean = (list) => list.reduce((sum, one) => sum + one, 0) / list.length;
  const [mx, my] = [mean(x), mean(y)];
  const slope = x.reduce((sum, one, i) => sum + (one - mx) * (y[i] - my), 0) / x.reduce((sum, one) => sum + (one - mx) ** 2, 0);
  return { slope, at: (place) => my + slope * (place - mx) };
}

test("distance and two-point loss are those of the samples in the file", async () => {
  const view = await opened(path, DESK, `#fiber-${FIBER}`);
  const joints = review.fibers[FIBER - 1].joints.filter((j) => j.wavelength_nm === 1310);
  const [c1, c3] = ["C1", "C3"].map((name) => joints.find((j) => j.name === name).at_m);
  await set(view.page, c1, c3);
  assert.ok(Math.abs((await number(view.page.locator("#distance"), "data-m")) - (c3 - c1)) < 1e-6);
  const order = [[1310, "a-to-b"], [1310, "b-to-a"], [1550, "a-to-b"], [1550, "b-to-a"]];
  const traces = JSON.parse(await view.page.textContent("#data-traces"));
  for (const [row, [nm, direction]] of order.entries()) {
    const own = test_of(nm, direction);
    const raw = levels(join(root, own.file));
    const { at_zero_m, at_per_m } = traces.find((t) => review.tests[t.test] === own || review.tests[t.test].file === own.file);
    const { spacing_m } = found_in(own.file).trace;
    const level = (place) => {
      const sample = (place - at_zero_m) / at_per_m / spacing_m, low = Math.floor(sample);
      return raw[low] + (sample - low) * (raw[low + 1] - raw[low]);
    };
    // Positive where light is lost on its own way: from end b that is from the larger place down.
    const wanted = at_per_m > 0 ? level(c1) - level(c3) : level(c3) - level(c1);
    const got = await read(view.page, row);
    assert.ok(Math.abs(got.two_point_db - wanted) < 1e-3, `${nm} ${direction}: ${got.two_point_db} against ${wanted}`);
  }
  await view.end();
});

test("a fitted loss in one section is that of the plain line, and its slope the section's attenuation", async () => {
  const view = await opened(path, DESK, `#fiber-${FIBER}`);
  const own = test_of(1310, "a-to-b");
  const { trace, sections } = found_in(own.file);
  const section = sections.reduce((a, b) => (a.to_m - a.from_m > b.to_m - b.from_m ? a : b));
  const near_m = found_in(own.file).span.start_m;
  const [from_m, to_m] = [section.from_m + 100, section.to_m - 100];
  await set(view.page, from_m - near_m, to_m - near_m);
  const got = await read(view.page, 0);
  const raw = levels(join(root, own.file));
  const line = plain_line(raw, Math.ceil(from_m / trace.spacing_m), Math.ceil(to_m / trace.spacing_m));
  const plain_db = -line.slope * ((to_m - from_m) / trace.spacing_m);
  assert.ok(Math.abs(got.fitted_db - plain_db) < Math.max(2e-4, 0.2 * got.fitted_sigma_db), `${got.fitted_db} against ${plain_db}`);
  const sigma = Math.hypot(got.db_per_km_sigma, section.attenuation_sigma_db_per_km);
  assert.ok(Math.abs(got.db_per_km - section.attenuation_db_per_km) < 4 * sigma, `${got.db_per_km} against ${section.attenuation_db_per_km} \u00b1 ${sigma}`);
  assert.equal(got.step_db, null);
  await view.end();
});

test("the step of the fitted lines is the loss that was found, event by event, within both uncertainties", async () => {
  const view = await opened(path, DESK, `#fiber-${FIBER}`);
  const pulls = [];
  for (const [row, own] of [test_of(1310, "a-to-b"), test_of(1310, "b-to-a"), test_of(1550, "a-to-b"), test_of(1550, "b-to-a")].entries()) {
    const boxes = view.page.locator(".legend input[type=checkbox]");
    for (let i = 0; i < 4; i++) await boxes.nth(i).setChecked(i === row);
    await view.page.locator(".legend input[type=radio]").nth(row).check();
    for (const event of found_in(own.file).events) {
      if (event.role !== "joint" || event.merged !== 1 || event.loss_db == null) continue;
      await view.page.click(`button[data-event="${event.number}"]`);
      const got = await read(view.page, 0);
      assert.notEqual(got.step_db, null, `event ${event.number} of ${own.file}`);
      pulls.push((got.step_db - event.loss_db) / Math.hypot(got.step_sigma_db, event.loss_sigma_db));
    }
  }
  assert.ok(pulls.length >= 16, `${pulls.length} events`);
  const spread = Math.sqrt(pulls.reduce((sum, z) => sum + z * z, 0) / pulls.length);
  // Lines of a dozen blocks: Student's t with as many degrees of freedom is a little wider than normal.
  assert.ok(spread < 1.6, `pulls spread by ${spread}`);
  assert.ok(pulls.every((z) => Math.abs(z) < 5), `${pulls}`);
  await view.end();
});

test("the mean of both ends is the mean of both readings, and an event seen from both ends stands at one place", async () => {
  const view = await opened(path, DESK, `#fiber-${FIBER}`);
  const joint = review.fibers[FIBER - 1].joints.find((j) => j.name === "C2" && j.wavelength_nm === 1550);
  await set(view.page, joint.at_m - 300, joint.at_m + 300);
  const rows = await Promise.all([2, 3, 5].map((row) => read(view.page, row)));
  assert.match(await view.page.locator("#readings tbody tr").nth(5).textContent(), /1550 nm, mean of both ends/);
  for (const key of ["two_point_db", "fitted_db", "step_db"]) {
    assert.ok(Math.abs(rows[2][key] - 0.5 * (rows[0][key] + rows[1][key])) < 1e-9, key);
  }
  // The review's own two-way loss is of the whole trace's model; both must agree within their uncertainties.
  assert.ok(Math.abs(rows[2].step_db - joint.loss_db) < 5 * Math.hypot(rows[2].step_sigma_db, joint.loss_sigma_db), `${rows[2].step_db} against ${joint.loss_db}`);
  const places = [];
  for (const row of [2, 3]) {
    await view.page.locator(".legend input[type=radio]").nth(row).check();
    const all = await view.page.locator("#events tbody tr td:nth-child(2)").allTextContents();
    places.push(Math.min(...all.map((text) => Math.abs(Number(text.replace("\u2212", "-").replace(/[^\d.-]/g, "")) - joint.at_m))));
  }
  assert.ok(Math.max(...places) < 5, `${places} m from C2`);
  await view.end();
});

test("where no line can be fitted the page says why instead of a figure", async () => {
  const view = await opened(path, DESK, `#fiber-${FIBER}`);
  await set(view.page, -1, 4000);
  const got = await read(view.page, 0);
  assert.equal(got.fitted_db, null);
  assert.match(await view.page.locator("#readings tbody tr").first().textContent(), /too little clean fibre between cursor A and event 2/);
  await view.end();
});

/** The stream of samples, as src/report/page/samples.rs describes it: written here a second time. */
function groups_of(text) {
  const bytes = Buffer.from(text, "base64");
  let at = 0, level = 0;
  const whole = () => {
    let value = 0n, shift = 0n;
    for (;;) {
      const byte = BigInt(bytes[at++]);
      value |= (byte & 127n) << shift;
      shift += 7n;
      if (byte < 128n) return value;
    }
  };
  const next = () => {
    const value = whole();
    level += Number(value & 1n ? -((value + 1n) >> 1n) : value >> 1n);
    return level / 1000;
  };
  const out = [];
  for (let first = 0; at < bytes.length; ) {
    const count = Number(whole()), size = Number(whole());
    for (let i = 0; i < count; i++, first += size) out.push({ first, size, levels: size === 1 ? [next()] : [next(), next(), next()] });
  }
  return out;
}

test("a job of 144 fibres stays small and opens quickly; thinning keeps events whole, extremes and means", async (t) => {
  const job = large();
  const bytes = statSync(job.page).size;
  t.diagnostic(`${job.review.counts.measured} traces of 32000 samples: ${(bytes / 1e6).toFixed(1)} MB`);
  assert.equal(job.review.counts.measured, 576);
  assert.ok(bytes < 25e6, `${bytes} bytes`);
  let quickest = Infinity, matrix = Infinity;
  for (let i = 0; i < 3; i++) {
    const view = await opened(job.page);
    assert.equal(await view.page.locator("tr[data-fiber]").count(), 144);
    quickest = Math.min(quickest, await view.page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd));
    matrix = Math.min(matrix, await view.page.evaluate(() => performance.getEntriesByName("matrix")[0].startTime));
    if (i === 2) {
      const traces = JSON.parse(await view.page.textContent("#data-traces"));
      const number_of = traces.findIndex((one) => job.review.tests[one.test].fiber === 5);
      const own = traces[number_of];
      const raw = levels(job.review.tests[own.test].file);
      const groups = groups_of(JSON.parse(await view.page.textContent(`#data-samples-${number_of}`)));
      assert.ok(groups.length < 0.5 * raw.length, "it is thinned");
      let next = 0;
      for (const { first, size, levels: kept } of groups) {
        assert.equal(first, next);
        next += size;
        const part = raw.slice(first, first + size);
        const wanted = size === 1 ? part : [Math.min(...part), Math.max(...part), part.reduce((a, b) => a + b, 0) / size];
        const got = size === 1 ? kept : [...kept.slice(0, 2).sort((a, b) => a - b), kept[2]];
        wanted.forEach((level, k) => assert.ok(Math.abs(level - got[k]) < 6e-4, `sample ${first}`));
      }
      assert.equal(next, raw.length);
      for (const event of own.found.events) {
        const sample = Math.round((event.position_m - own.stretches[0].position_m) / own.stretches[0].spacing_m);
        const around = groups.filter((g) => Math.abs(g.first - sample) < 40);
        assert.ok(around.length >= 39 && around.every((g) => g.size === 1), `event ${event.number}`);
      }
      await view.page.evaluate(() => { location.hash = "fiber-5"; });
      assert.match(await view.page.textContent("#fiber-title"), /Fibre 5/);
      assert.match(await view.page.textContent("#fiber"), /thinned to extremes and means/);
      assert.deepEqual(view.said, []);
    }
    await view.end();
  }
  t.diagnostic(`opened in ${Math.round(quickest)} ms, its matrix after ${Math.round(matrix)}`);
  // The first view does not wait for the samples, which are most of the page.
  assert.ok(matrix < 0.8 * quickest, `the matrix after ${matrix} ms of ${quickest}`);
  assert.ok(quickest < 2000, `${quickest} ms`);
});
