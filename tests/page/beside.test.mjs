// What counts for nothing and what the plan accepts: listed, drawn where asked for, never taken for a pass of its own.

import assert from "node:assert/strict";
import { after, test } from "node:test";

import { DESK, close, opened } from "./browser.mjs";
import { beside } from "./jobs.mjs";

const { page: path, review } = beside();
after(close);

const of = (fiber, verdict) => review.tests.filter((t) => t.fiber === fiber && t.verdict === verdict);

test("the job is what this test takes it for", () => {
  assert.equal(of(7, "superseded").length, 1);
  assert.equal(of(7, "surplus").length, 2);
  assert.ok(review.fibers[3].joints.some((j) => j.name === "C2" && j.waived));
});

test("superseded and surplus traces are in the legend, hidden at first, and read once they are shown", async () => {
  const view = await opened(path, DESK, "#fiber-7");
  const rows = view.page.locator(".legend .legend-row");
  assert.equal(await rows.count(), 2 + 1 + 2);
  const box = (i) => rows.nth(i).locator("input[type=checkbox]");
  for (let i = 0; i < 5; i++) assert.equal(await box(i).isChecked(), i < 2, `trace ${i}`);
  const said = await rows.allTextContents();
  assert.deepEqual(said.slice(2).map((text) => /superseded|surplus/.exec(text)?.[0]).sort(), ["superseded", "surplus", "surplus"]);
  const read = () => view.page.locator("#readings tr[data-trace]").count();
  assert.equal(await read(), 2);
  const mean = await view.page.locator("#readings tbody tr").nth(2).textContent();
  assert.match(mean, /mean of both ends/);
  const pixels = () => view.page.locator(".chart canvas").evaluate((c) => c.toDataURL());
  const before = await pixels();
  const superseded = rows.filter({ hasText: "superseded" });
  await superseded.locator("input[type=checkbox]").check();
  await view.page.waitForTimeout(50);
  assert.notEqual(await pixels(), before);
  assert.equal(await read(), 3);
  // The mean is that of the measurements that count.
  assert.equal(await view.page.locator("#readings tbody tr").last().textContent(), mean);
  assert.deepEqual(view.said, []);
  await view.end();
});

test("files outside the matrix are listed below it", async () => {
  const view = await opened(path);
  const outside = review.tests.filter((t) => t.file && ["superseded", "surplus"].includes(t.verdict));
  assert.ok(outside.length > 10);
  const details = view.page.locator("details", { hasText: "outside the matrix" });
  await details.locator("summary").click();
  assert.equal(await details.locator("tbody tr").count(), outside.length);
  await view.end();
});

test("what the plan accepts is listed, and stands at its joint with the figure's own verdict", async () => {
  const view = await opened(path);
  await view.page.click("#accepted summary");
  assert.equal(await view.page.textContent("#accepted li"), "Fibre 4, C2: accepted: to be cut out <b>in</b> spring (A. Nobody)");
  await view.page.click("#accepted a");
  const row = view.page.locator("#joints tbody tr", { hasText: "C2" });
  assert.match(await row.textContent(), /fail accepted: to be cut out <b>in<\/b> spring \(A\. Nobody\)/);
  assert.match(await view.page.textContent("#fiber-title"), new RegExp(review.fibers[3].verdict));
  assert.deepEqual(view.said, []);
  await view.end();
});
