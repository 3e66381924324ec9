// The first view: counts, filters, the matrix of fibres and measurements, the worklist.

const DIRECTIONS = ["a-to-b", "b-to-a"];
const STATES = ["fail", "undecided", "missing", "pass"];
const filter = { states: new Set(), joint: "", operator: "" };

/** The measurement that counts in a cell of the matrix. */
const cell_test = (fiber, wavelength_nm, direction) =>
  tests_of(fiber).find((t) => t.wavelength_nm === wavelength_nm && t.direction === direction && t.verdict !== "superseded");

const columns = plan.wavelengths_nm.flatMap((nm) => DIRECTIONS.map((direction) => ({ nm, direction })))
  .filter(({ nm, direction }) => review.tests.some((t) => t.wavelength_nm === nm && t.direction === direction));

const tests_of = (fiber) => by_fiber.get(fiber) ?? [];

function is_in_state(fiber, state) {
  if (state === "pass") return fiber.verdict === "pass";
  return fiber.verdict === state || tests_of(fiber.fiber).some((t) => t.verdict === state);
}

/** Whether a joint of a fibre has something to look at. */
const is_noted_at = (fiber, joint) =>
  fiber.joints.some((j) => j.name === joint && j.verdict !== "pass" && j.verdict != null) ||
  fiber.findings.some((f) => f.where === joint);

const passes_filter = (fiber) =>
  (filter.states.size === 0 || [...filter.states].some((state) => is_in_state(fiber, state))) &&
  (filter.joint === "" || is_noted_at(fiber, filter.joint)) &&
  (filter.operator === "" || tests_of(fiber.fiber).some((t) => t.operator === filter.operator));

const listed_fibers = () => review.fibers.filter(passes_filter);

const joint_names = [...new Set(review.fibers.flatMap((f) => f.joints.map((j) => j.name)))];
const operators = [...new Set(review.tests.map((t) => t.operator).filter((o) => o))].sort();

/** Progress as one strand: as long as the plan, in pieces by what became of each measurement. */
function progress() {
  const c = review.counts;
  const parts = [["pass", c.passed, "passed"], ["fail", c.failed, "failed"], ["undecided", c.undecided, "undecided"], ["missing", c.missing, "missing"]];
  const strip = el("div", { class: "progress", "aria-hidden": "true" });
  for (const [name, count] of parts) {
    if (count === 0) continue;
    const piece = el("span", { class: `piece is-${name}` });
    piece.style.flexGrow = String(count);
    strip.append(piece);
  }
  const share = c.planned ? Math.floor((100 * c.measured) / c.planned) : 0;
  const beside = [[c.surplus, "surplus"], [c.unreadable, "unreadable"]].filter(([n]) => n > 0).map(([n, word]) => `${n} ${word}`);
  return el("div", { class: "counts" },
    el("p", {}, el("strong", {}, `${c.measured} of ${c.planned}`), ` planned measurements are there (${share}\u00a0%)`, beside.length ? `; beside the plan ${beside.join(", ")}` : "", "."),
    strip,
    el("ul", { class: "plain row" }, parts.map(([name, count, word]) =>
      el("li", { class: `verdict is-${name}` }, mark(name), `${count} ${word}`))),
    review.notes.map((note) => el("p", {}, `Note: ${note}.`)));
}

function filters() {
  const buttons = STATES.map((state) => {
    const count = review.fibers.filter((f) => is_in_state(f, state)).length;
    return el("button", { type: "button", class: `chip is-${state}`, "aria-pressed": "false", "data-state": state, click: (event) => {
      if (!filter.states.delete(state)) filter.states.add(state);
      event.currentTarget.setAttribute("aria-pressed", String(filter.states.has(state)));
      fill();
    } }, mark(state), `${state} (${count})`);
  });
  const choice = (name, label, all, values) => el("label", {}, label, " ",
    el("select", { id: `filter-${name}`, change: (event) => { filter[name] = event.target.value; fill(); } },
      el("option", { value: "" }, all), values.map((v) => el("option", { value: v }, v))));
  // An option's value is the label as it is, which `el` would have made visible first.
  const set_values = (node, values) => {
    [...node.querySelectorAll("option")].slice(1).forEach((option, i) => { option.value = values[i]; });
    return node;
  };
  return el("form", { class: "filters", role: "search", "aria-label": "Filter the fibres", submit: (e) => e.preventDefault() },
    el("div", { class: "row", role: "group", "aria-label": "Fibres with something that is" }, buttons),
    set_values(choice("joint", "noted at", "any joint", joint_names), joint_names),
    set_values(choice("operator", "measured by", "anyone", operators), operators),
    el("button", { type: "reset", id: "filter-clear", click: (event) => {
      filter.states.clear();
      filter.joint = filter.operator = "";
      for (const chip of event.currentTarget.form.querySelectorAll(".chip")) chip.setAttribute("aria-pressed", "false");
      event.currentTarget.form.reset();
      fill();
    } }, "show all"),
    el("p", { id: "filter-says", role: "status", class: "faint" }));
}

const cell = (test) => (test
  ? el("td", { class: "cell", title: test.reasons.join("; ") || false, "data-direction": test.direction, "data-nm": test.wavelength_nm }, verdict(test.verdict))
  : el("td", { class: "cell faint" }, "\u2013"));

function matrix_row(fiber) {
  const joint_cells = filter.joint === "" ? [] : plan.wavelengths_nm.map((nm) => {
    const j = fiber.joints.find((one) => one.name === filter.joint && one.wavelength_nm === nm);
    return el("td", { class: `figure is-${j?.verdict ?? "none"}` }, j ? measured(j.loss_db, j.loss_sigma_db, "dB") : "\u2013");
  });
  return el("tr", { "data-fiber": fiber.fiber, click: (event) => {
    if (event.target.closest("a")) return;
    const { nm, direction } = event.target.closest("td")?.dataset ?? {};
    location.hash = `fiber-${fiber.fiber}${nm ? `-${nm}-${direction}` : ""}`;
  } },
    el("th", { scope: "row" }, el("a", { href: `#fiber-${fiber.fiber}`, "aria-label": `fibre ${fiber.fiber}, ${fiber.color}, ${fiber.verdict}` }, String(fiber.fiber)),
      " ", swatch(fiber.color), " ", el("span", { class: "color-word" }, fiber.color)),
    el("td", { class: "cell" }, verdict(fiber.verdict)),
    columns.map(({ nm, direction }) => cell(cell_test(fiber.fiber, nm, direction))),
    joint_cells);
}

/** How many of the fibres shown pass, in all and in each column. */
function matrix_foot(fibers) {
  const count = (list) => el("td", { class: "cell" }, `${list.filter((v) => v === "pass").length} of ${list.length}`);
  return el("tfoot", {}, el("tr", {}, el("th", { scope: "row" }, "pass"), count(fibers.map((f) => f.verdict)),
    columns.map(({ nm, direction }) => count(fibers.map((f) => cell_test(f.fiber, nm, direction)?.verdict).filter((v) => v)))));
}

function matrix(fibers) {
  const joint_heads = filter.joint === "" ? [] : plan.wavelengths_nm.map((nm) => el("th", { scope: "col" }, `${filter.joint}, ${nm} nm`));
  return el("table", { class: "matrix" },
    el("caption", {}, "Fibres by wavelength and direction: what became of each measurement"),
    el("thead", {}, el("tr", {},
      el("th", { scope: "col" }, "fibre"), el("th", { scope: "col" }, "in all"),
      columns.map(({ nm, direction }) => el("th", { scope: "col" }, `${nm} nm`, el("br"), `from ${end_letter(direction)}`)),
      joint_heads)),
    tubes(fibers).map(([color, own]) => el("tbody", {},
      color == null ? null : el("tr", {}, el("th", { scope: "rowgroup", class: "tube", colspan: 2 + columns.length + joint_heads.length }, swatch(color), ` ${color} tube`)),
      own.map(matrix_row))),
    matrix_foot(fibers));
}

/** Fibres by their tubes, each with its colour; one group without where there is but the first. */
function tubes(fibers) {
  const [first] = review.fibers;
  if (first?.fiber === 1 && review.fibers.every((f) => f.tube_color === first.tube_color)) return [[null, fibers]];
  const groups = new Map();
  for (const fiber of fibers) {
    const tube = fiber.tube_color;
    if (!groups.has(tube)) groups.set(tube, [tube, []]);
    groups.get(tube)[1].push(fiber);
  }
  return [...groups.values()];
}

/** A finding; `look` leads to its place on the traces. */
function task(fiber, finding, whose) {
  const look = fiber != null && finding.at_m != null ? el("a", { href: `#fiber-${fiber}@${finding.at_m}`, "aria-label": `look at ${finding.where ?? metres(finding.at_m)} of fibre ${fiber}` }, `look at ${metres(finding.at_m)}`) : null;
  return el("li", { class: `task is-${finding.severity}` },
    el("span", { class: "box", "aria-hidden": "true" }),
    el("div", {},
      el("p", {}, whose, el("strong", {}, finding.kind.replaceAll("-", " ")), finding.where ? ` at ${finding.where}` : "", look ? [" \u00b7 ", look] : ""),
      el("p", { class: "faint" }, finding.says),
      finding.severity === "fault" && finding.next ? el("p", {}, el("span", { class: "next" }, "next"), " ", finding.next) : null));
}

const whose = (fiber) => (fiber == null ? "The job: " : [el("a", { href: `#fiber-${fiber}` }, `Fibre ${fiber}`), ": "]);

function worklist(fibers) {
  const all = [...fibers.flatMap((f) => f.findings.map((finding) => [f.fiber, finding])), ...review.findings.map((f) => [null, f])];
  const of = (severity) => all.filter(([, f]) => f.severity === severity).map(([fiber, f]) => task(fiber, f, whose(fiber)));
  const faults = of("fault"), remarks = of("remark");
  return el("section", { class: "worklist", "aria-labelledby": "worklist-title" },
    el("h2", { id: "worklist-title" }, "What to do next"),
    faults.length ? el("ol", { class: "plain" }, faults) : el("p", {}, "Nothing to put right among these fibres."),
    remarks.length ? el("details", {}, el("summary", {}, plural(remarks.length, "remark", "remarks")), el("ul", { class: "plain" }, remarks)) : null);
}

/** Files that no cell of the matrix shows. */
function others() {
  const rest = review.tests.filter((t) => t.file && (t.verdict === "superseded" || t.verdict === "surplus" || t.verdict === "unreadable"));
  if (rest.length === 0) return null;
  return el("details", {}, el("summary", {}, `${plural(rest.length, "file", "files")} outside the matrix`),
    table("Files outside the matrix", ["file", "fibre", "is", "why"],
      rest.map((t) => el("tr", {}, el("td", {}, t.file), el("td", {}, t.fiber == null ? "\u2013" : String(t.fiber)), el("td", {}, verdict(t.verdict)), el("td", {}, t.reasons.join("; "))))));
}

/** What the plan accepts though it is over a limit: graded as it is, and counted as a pass. */
function accepted() {
  if (plan.waivers.length === 0) return null;
  return el("details", { id: "accepted" }, el("summary", {}, `${plural(plan.waivers.length, "deviation", "deviations")} accepted by the plan`),
    el("ul", { class: "plain" }, plan.waivers.map((w) => el("li", {}, el("a", { href: `#fiber-${w.fiber}` }, `Fibre ${w.fiber}`), `, ${w.place}: ${w.says}`))));
}

/** Shows what passes the filters. */
function fill() {
  const fibers = listed_fibers();
  document.getElementById("filter-says").textContent = `${fibers.length} of ${plural(review.fibers.length, "fibre", "fibres")} shown`;
  const box = document.getElementById("matrix");
  box.replaceChildren(matrix(fibers));
  mind_scroll(box);
  document.getElementById("tasks").replaceChildren(worklist(fibers));
  fill_joint_map(fibers);
}

function build_overview() {
  document.getElementById("overview").append(
    progress(),
    filters(),
    el("div", { class: "two" },
      el("div", {}, scroll_box("Matrix of measurements", { id: "matrix" }), joint_map(), accepted(), others()),
      el("div", { id: "tasks" })));
  fill();
}
