// All fibres by all joints: which joint is bad in many fibres, which fibre at many joints.

let joint_map_nm = plan.wavelengths_nm.at(-1);

function joint_map() {
  if (joint_names.length === 0) return null;
  const pick = el("select", { id: "joint-map-nm", change: (event) => {
    joint_map_nm = Number(event.target.value);
    fill_joint_map(listed_fibers());
  } }, plan.wavelengths_nm.map((nm) => el("option", { value: nm, selected: nm === joint_map_nm }, `${nm} nm`)));
  return el("details", { id: "joint-map", toggle: () => fill_joint_map(listed_fibers()) },
    el("summary", {}, "Joints of these fibres"),
    el("p", {}, el("label", {}, "loss at ", pick), " in dB, the mean of both ends where both were measured; the deeper the shade, the nearer to its limit. Marked: not within all its limits, that of its reflectance included."),
    scroll_box("Joints of these fibres", { id: "joint-map-table" }));
}

/** Drawn only while it is open: it has a cell for each fibre and joint. */
function fill_joint_map(fibers) {
  const map = document.getElementById("joint-map");
  if (!map?.open) return;
  const box = document.getElementById("joint-map-table");
  box.replaceChildren(el("table", { class: "heat" },
    el("caption", {}, `Loss of each joint at ${joint_map_nm} nm, dB`),
    el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "fibre"), joint_names.map((name) => el("th", { scope: "col", class: "figure" }, name)))),
    el("tbody", {}, fibers.map((fiber) => el("tr", {}, el("th", { scope: "row" }, el("a", { href: `#fiber-${fiber.fiber}` }, String(fiber.fiber))),
      joint_names.map((name) => heat_cell(fiber, fiber.joints.find((j) => j.name === name && j.wavelength_nm === joint_map_nm))))))));
  mind_scroll(box);
}

function heat_cell(fiber, joint) {
  if (joint?.loss_db == null) return el("td", { class: "figure faint" }, "\u2013");
  const bad = !joint.waived && (joint.verdict === "fail" || joint.verdict === "undecided");
  const cell = el("td", { class: `figure heat-cell is-${joint.verdict ?? "none"}` },
    bad ? [mark(joint.verdict), el("span", { class: "spoken" }, `${joint.verdict}: `)] : joint.waived ? el("span", { class: "faint" }, "accepted ") : null,
    el("a", { href: `#fiber-${fiber.fiber}@${joint.at_m}` }, fixed(joint.loss_db, 2)));
  const limit = limit_at(joint.name);
  if (limit > 0) cell.style.setProperty("--share", String(Math.min(1, Math.max(0, joint.loss_db / limit))));
  return cell;
}
