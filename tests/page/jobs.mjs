// Jobs to review: the demo job, one whose labels are hostile, one of 144 fibres. All are invented.

import { execFileSync, spawnSync } from "node:child_process";
import { copyFileSync, mkdirSync, readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { join } from "node:path";

export const root = process.env.ROOT;
const program = process.env.STRANDLINE;
const work = join(root, "target/page/jobs");

export function run(args) {
  return execFileSync(program, args, { cwd: root, encoding: "utf8", maxBuffer: 1 << 28, stdio: ["ignore", "pipe", "ignore"] });
}

/** Reviews a folder; gives the page's path and the document beside it. */
export function reviewed(name, folder, plan) {
  const report = join(work, `${name}-report`);
  rmSync(report, { recursive: true, force: true });
  const end = spawnSync(program, ["review", folder, "--plan", plan, "--report", report], { cwd: root, encoding: "utf8", maxBuffer: 1 << 28 });
  if (end.status !== 0 && end.status !== 1) throw new Error(`the review of ${folder} ended with ${end.status}: ${end.stderr}`);
  const page = join(report, "review.html");
  return { page, html: readFileSync(page, "utf8"), review: JSON.parse(readFileSync(join(report, "review.json"), "utf8")) };
}

export const demo = () => reviewed("demo", "traces/job", "traces/job/plan.toml");

/**
 * The demo job by a plan that asks for 1550 nm alone and accepts the splice of fibre 4, with a second measurement
 * of fibre 7 from end a, later than the first by the time in the file (it is fibre 8's under another label).
 */
export function beside() {
  const folder = join(work, "beside"), demo_job = join(root, "traces/job");
  rmSync(folder, { recursive: true, force: true });
  mkdirSync(folder, { recursive: true });
  for (const name of readdirSync(demo_job).filter((n) => n.endsWith(".sor"))) copyFileSync(join(demo_job, name), join(folder, name));
  run(["relabel", join(demo_job, "HFL-44_008_1550_AB.sor"), "--set", "fiber=007", "-o", join(folder, "again")]);
  const text = readFileSync(join(demo_job, "plan.toml"), "utf8").replace("wavelengths_nm = [1310, 1550]", "wavelengths_nm = [1550]");
  writeFileSync(join(folder, "plan.toml"), `${text}\n[[waiver]]\nfiber = 4\nwhere = "C2"\nreason = "to be cut out <b>in</b> spring"\nby = "A. Nobody"\n`);
  return reviewed("beside", folder, join(folder, "plan.toml"));
}

/** One trace of a cable of 288 fibres, four of them planned, with names that no line holds. */
export function bare() {
  const folder = join(work, "bare"), demo_job = join(root, "traces/job"), long = "W".repeat(120);
  rmSync(folder, { recursive: true, force: true });
  mkdirSync(folder, { recursive: true });
  copyFileSync(join(demo_job, "HFL-44_001_1310_AB.sor"), join(folder, "one.sor"));
  const text = readFileSync(join(demo_job, "plan.toml"), "utf8").replace('fibers = "1-8"', 'fibers = "1-2, 152-153"')
    .replace('name = "C1"', `name = "${long}"`).replace(/^site = .*$/m, `site = "${long}"`);
  writeFileSync(join(folder, "plan.toml"), text);
  return reviewed("bare", folder, join(folder, "plan.toml"));
}

/** Text that would act if it were taken for anything but text. */
export const HOSTILE = {
  cable: "C-1</script><script>window.struck=1</script>",
  end_a: "\"><img src=x onerror=window.struck=2>",
  end_b: "'</title><b>B & C</b>",
  operator: "\u001b[31mred\u001b[0m \u202egnol <i>x</i>",
  joint: "J<svg onload=window.struck=3>",
};

const quoted = (text) => JSON.stringify(text); // TOML's basic strings know the same escapes

function scenario(labels, fiber, samples, spacing_m) {
  return `schema = "strandline.scenario/1"
name = "F${String(fiber).padStart(3, "0")}"
family = "page"
story = "invented"
index = 1.4682
directions = ["a-to-b", "b-to-a"]
seeds = { fiber = ${fiber}, noise = ${1000 + fiber} }
panel_reflectance_db = -46.0
end_a = "angled"
end_b = "angled"
[labels]
cable = ${quoted(labels.cable)}
fiber = "${fiber}"
a = ${quoted(labels.end_a)}
b = ${quoted(labels.end_b)}
operator = ${quoted(labels.operator)}
comment = "invented"
fiber_type = 652
measured_at_unix_s = 1764007200
${[1310, 1550].map((nm) => `[[wavelength]]
nm = ${nm}
pulse_ns = 100
spacing_m = ${spacing_m}
samples = ${samples}
backscatter_db = -81.9
range_db = 17.0
speckle = 0.001
averages = 30000
averaging_s = 30.0`).join("\n")}
[[section]]
length_m = 300.0
attenuation_db_per_km = { 1310 = 0.335, 1550 = 0.195 }
cord = true
then = { kind = "connector", loss_db = 0.21, reflectance_db = -52.0 }
[[section]]
length_m = 1612.4
attenuation_db_per_km = { 1310 = 0.341, 1550 = 0.198 }
then = { kind = "splice", loss_db = ${fiber % 12 === 5 ? 0.4 : 0.06} }
[[section]]
length_m = 1488.9
attenuation_db_per_km = { 1310 = 0.338, 1550 = 0.201 }
then = { kind = "connector", loss_db = 0.18, reflectance_db = -54.0 }
[[section]]
length_m = 300.0
attenuation_db_per_km = { 1310 = 0.335, 1550 = 0.195 }
cord = true
`;
}

function plan(labels, fibers) {
  return `schema = "strandline.plan/1"
[cable]
id = ${quoted(labels.cable)}
fibers = "1-${fibers}"
ends = [${quoted(labels.end_a)}, ${quoted(labels.end_b)}]
length_m = 3101.3
[measure]
wavelengths_nm = [1310, 1550]
directions = "both"
launch_m = 300.0
tail_m = 300.0
[[joint]]
name = ${quoted(labels.joint)}
at_m = 1612.4
kind = "splice"
[limits]
splice_db = 0.20
connector_db = 0.50
confidence = 0.95
`;
}

function rendered(name, labels, fibers, samples, spacing_m) {
  const folder = join(work, name);
  rmSync(folder, { recursive: true, force: true });
  mkdirSync(folder, { recursive: true });
  const scenarios = [];
  for (let fiber = 1; fiber <= fibers; fiber++) {
    scenarios.push(join(folder, `F${fiber}.toml`));
    writeFileSync(scenarios.at(-1), scenario(labels, fiber, samples, spacing_m));
  }
  writeFileSync(join(folder, "plan.toml"), plan(labels, fibers));
  run(["simulate", ...scenarios, "-o", folder]);
  return { folder, ...reviewed(name, folder, join(folder, "plan.toml")) };
}

export const hostile = () => rendered("hostile", HOSTILE, 2, 4000, 1.25);

export const large = () =>
  rendered("large", { cable: "BIG-1", end_a: "NORTH QUAY", end_b: "SOUTH QUAY", operator: "O. Nobody", joint: "C1" }, 144, 32000, 0.15);

/**
 * Levels in dB of a trace in the open format, read here without the program: the block's name, then
 * number of samples (4 bytes), of scales (2), samples of the first scale (4), thousandths of a dB a
 * count (2), the counts (2 each), least byte first. Source: SR-4731, DataPts (from memory).
 */
export function levels(path) {
  const bytes = readFileSync(path);
  const at = bytes.lastIndexOf("DataPts\0") + 8;
  const count = bytes.readUInt32LE(at), factor = bytes.readUInt16LE(at + 10);
  return Array.from({ length: count }, (_, i) => (-bytes.readUInt16LE(at + 12 + 2 * i) * factor) / 1e6);
}
