// A job that has hardly begun: what nobody measured, names that no line holds, tubes with stripes.

import assert from "node:assert/strict";
import { after, test } from "node:test";

import { DESK, PHONE, close, opened } from "./browser.mjs";
import { bare } from "./jobs.mjs";

const { page: path, review } = bare();
after(close);

test("what is missing of a fibre is one line of the worklist", async () => {
  const view = await opened(path);
  const tasks = await view.page.locator(".worklist li").allTextContents();
  const of = (fiber) => tasks.filter((text) => text.startsWith(`Fibre ${fiber}:`));
  const missing = (fiber) => review.tests.filter((test) => test.fiber === fiber && test.verdict === "missing").length;
  assert.equal(missing(1), 3);
  assert.equal(of(1).length, 1);
  assert.match(of(1)[0], /the measurements at .* are missing/);
  for (const fiber of [2, 152, 153]) {
    assert.equal(missing(fiber), 4);
    assert.equal(of(fiber).length, 1);
    assert.match(of(fiber)[0], /none of its 4 measurements is there/);
  }
  assert.deepEqual(view.said, []);
  await view.end();
});

test("beyond the twelfth tube tubes are striped, and their swatches too", async () => {
  const view = await opened(path);
  // I2: TIA-598-C: the order repeats with a black stripe; fibre 152 is the eighth of tube 13
  assert.equal(review.fibers.find((f) => f.fiber === 152).tube_color, "striped blue");
  const heads = await view.page.locator("th.tube").allTextContents();
  assert.deepEqual(heads.map((text) => text.trim()), ["blue tube", "striped blue tube"]);
  assert.equal(await view.page.locator("th.tube .swatch.dye-blue.striped").count(), 1);
  await view.end();
});

test("long names make no page wider than its screen", async () => {
  for (const options of [DESK, PHONE]) {
    for (const hash of ["", "#fiber-1"]) {
      const view = await opened(path, options, hash);
      const [page, screen] = await view.page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
      assert.ok(page <= screen, `${hash}: ${page} of ${screen}`);
      assert.deepEqual(view.said, []);
      await view.end();
    }
  }
});
