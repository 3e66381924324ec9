// One fibre: its verdict and why, its traces, its joints, its measurements.

let open_fiber = null;

/** What takes the focus in the fibre opened next. */
let focus_next = "fiber-title";

/** Joints and ends in order along the cable, each once. */
function joint_places(fiber) {
  const places = new Map();
  for (const joint of fiber.joints) if (!places.has(joint.name)) places.set(joint.name, joint.at_m);
  return [...places].map(([name, at]) => ({ name, at_m: at })).sort((x, y) => x.at_m - y.at_m);
}

/** `kept`: what was in view before, when one steps from fibre to fibre. */
function show_fiber(number, chosen, place) {
  const kept = open_fiber?.kept();
  close_fiber();
  const fiber = review.fibers.find((f) => f.fiber === number);
  const holder = document.getElementById("fiber");
  if (!fiber) {
    holder.replaceChildren(el("p", {}, `There is no fibre ${number} in this plan. `, el("a", { href: "#" }, "All fibres")));
    return;
  }
  const own = traces.filter((trace) => trace.test_data.fiber === number)
    .sort((x, y) => (y.test_data.counts - x.test_data.counts) || (x.test_data.wavelength_nm - y.test_data.wavelength_nm) || String(x.test_data.direction).localeCompare(String(y.test_data.direction)));
  holder.replaceChildren(
    fiber_nav(fiber),
    el("h2", { id: "fiber-title", tabindex: "-1" }, `Fibre ${fiber.fiber} `, swatch(fiber.color), ` ${fiber.color} `, el("span", { class: "faint" }, `in the ${fiber.tube_color} tube `), verdict(fiber.verdict)),
    el("p", { class: "faint" }, fiber.length_m == null ? "Its length could not be measured." : `${metres(fiber.length_m)} between the end connectors.`),
    findings_of(fiber));
  const body = el("div");
  holder.append(body);
  if (own.length) open_fiber = new FiberView(body, fiber, own, chosen, place, kept);
  else body.append(el("p", {}, "There is no trace of this fibre to draw."));
  holder.append(joints_table(fiber), links_table(fiber), sections_table(fiber), measurements_table(fiber));
}

function close_fiber() {
  open_fiber?.chart.destroy();
  open_fiber = null;
  document.getElementById("fiber").replaceChildren();
}

function fiber_nav(fiber) {
  const list = listed_fibers().map((f) => f.fiber);
  const before = list.filter((n) => n < fiber.fiber).at(-1), after = list.find((n) => n > fiber.fiber);
  const step = (to, word, id) => (to == null ? el("span", { class: "faint" }, word) : el("a", { href: `#fiber-${to}`, id, "aria-label": `${word} fibre, ${to}` }, word));
  return el("nav", { class: "row", "aria-label": "Fibres" }, el("a", { href: "#", id: "all-fibers" }, "all fibres"), step(before, "previous", "previous-fiber"), step(after, "next", "next-fiber"));
}

function findings_of(fiber) {
  if (fiber.findings.length === 0) return el("p", {}, "Nothing to object to.");
  return el("ul", { class: "plain findings", "aria-label": "What was found" }, fiber.findings.map((f) => task(fiber.fiber, f, "")));
}

class FiberView {
  constructor(body, fiber, own, chosen, place, kept) {
    Object.assign(this, { fiber, own });
    this.front = own.find((t) => `${t.test_data.wavelength_nm}-${t.test_data.direction}` === chosen) ?? own[0];
    const counting = own.filter((t) => t.test_data.counts);
    this.visible = new Set(counting.length ? counting : own);
    const holder = el("div", { class: "chart" });
    this.readout = el("div", { class: "readout" });
    this.events = el("div");
    this.legend = el("fieldset", { class: "legend" });
    this.frame = el("div", { class: "frame", id: "traces", tabindex: "0", role: "group", "aria-label": this.spoken(), "aria-describedby": "keys", keydown: (event) => this.key(event) }, holder);
    body.append(
      this.legend,
      this.tools(),
      el("p", { class: "axis-word faint" }, "level in dB below the brightest sample, one way"),
      this.frame,
      el("p", { class: "axis-word right faint" }, "metres of fibre from end a"),
      event_legend(own),
      this.readout,
      this.events,
      el("details", { id: "keys-box" }, el("summary", {}, "Keys and gestures"), el("p", { id: "keys" },
        "Drag or arrow keys move along the fibre; wheel, pinch or + and \u2212 zoom, with Shift the levels; 0 or a double click shows the whole; Page up and Page down go from event to event; n and p to the next and the previous fibre, with the same stretch in view. Escape leads back to all fibres. " +
        "Tap or click puts the nearer cursor there. A cursor in focus moves with the arrow keys by one sample, with Shift by ten, with Page up and Page down to the next event\u2019s edge.")));
    this.chart = new Chart(holder, own, joint_places(fiber), () => this.cursors?.place());
    this.cursors = new Cursors(this.chart, this.readout);
    this.build_legend();
    this.apply();
    if (place != null) this.around(place);
    else if (kept) this.keep(kept);
    else this.first_cursors();
  }

  /** What the picture shows, for who cannot see it; the figures stand in the tables below. */
  spoken() {
    const names = this.own.map((t) => trace_name(t.test_data)).join(", ");
    return `Traces of fibre ${this.fiber.fiber}: ${names}. The tables below hold their events and joints.`;
  }

  build_legend() {
    this.legend.replaceChildren(el("legend", {}, "Traces"), ...this.own.map((trace) => {
      const show = el("input", { type: "checkbox", checked: this.visible.has(trace), "data-trace": trace.number });
      show.addEventListener("change", () => {
        if (show.checked) this.visible.add(trace);
        else this.visible.delete(trace);
        this.apply();
      });
      const pick = el("input", { type: "radio", name: "front", checked: trace === this.front, "aria-label": `list the events of ${trace_name(trace.test_data)}` });
      pick.addEventListener("change", () => {
        this.front = trace;
        this.apply();
      });
      return el("div", { class: "legend-row" }, el("label", {}, show, " ", key_line(trace.test_data), trace_name(trace.test_data)), verdict(trace.test_data.verdict), el("label", { class: "faint" }, pick, " its events"));
    }));
  }

  tools() {
    const button = (id, text, label, act) => el("button", { type: "button", id, "aria-label": label, click: () => act(this.chart) }, text);
    return el("div", { class: "row tools", role: "toolbar", "aria-label": "View" },
      button("zoom-in", "+", "zoom in", (c) => c.zoom(0.5)),
      button("zoom-out", "\u2212", "zoom out", (c) => c.zoom(2)),
      button("pan-left", "\u2190", "towards end a", (c) => c.pan(-0.25)),
      button("pan-right", "\u2192", "towards end b", (c) => c.pan(0.25)),
      button("levels-in", "\u2195 +", "zoom levels in", (c) => c.zoom_levels(0.7)),
      button("levels-out", "\u2195 \u2212", "zoom levels out", (c) => c.zoom_levels(1.4)),
      button("whole", "whole", "whole fibre", (c) => c.whole()),
      el("button", { type: "button", id: "peaks", "aria-pressed": "false", "aria-label": "peaks and noise: show all levels", click: (event) => {
        const on = !this.chart.all_levels;
        event.currentTarget.setAttribute("aria-pressed", String(on));
        this.chart.show_all_levels(on);
      } }, "peaks and noise"),
      button("cursors-here", "cursors here", "bring both cursors into the view", (c) => {
        const length = c.to_m - c.from_m;
        this.cursors.move("a", c.from_m + 0.3 * length);
        this.cursors.move("b", c.from_m + 0.7 * length);
      }));
  }

  key(event) {
    const chart = this.chart;
    if (event.target !== this.frame || event.ctrlKey || event.metaKey || event.altKey) return;
    const acts = {
      ArrowLeft: () => chart.pan(-0.1),
      ArrowRight: () => chart.pan(0.1),
      ArrowUp: () => chart.zoom_levels(0.8),
      ArrowDown: () => chart.zoom_levels(1.25),
      "+": () => chart.zoom(0.7),
      "=": () => chart.zoom(0.7),
      "-": () => chart.zoom(1 / 0.7),
      0: () => chart.whole(),
      PageDown: () => this.to_event(-1),
      PageUp: () => this.to_event(1),
      n: () => this.step("next-fiber"),
      p: () => this.step("previous-fiber"),
    };
    if (!(event.key in acts)) return;
    event.preventDefault();
    acts[event.key]();
  }

  /** The neighbouring fibre, with the keys still here. */
  step(id) {
    const link = document.getElementById(id);
    if (!link) return;
    focus_next = "traces";
    link.click();
  }

  to_event(step) {
    const middle = 0.5 * (this.chart.from_m + this.chart.to_m);
    const places = hidden(this.front).map((h) => h.at_m);
    const next = step > 0 ? places.find((p) => p > middle + 1) : places.filter((p) => p < middle - 1).at(-1);
    if (next != null) this.around(next);
  }

  /** Zooms on a place, and puts the cursors into the clean fibre beside it. */
  around(place) {
    const [from_m, to_m] = [this.clean(place, -1), this.clean(place, 1)];
    const beside = Math.max(120, 16 * this.front.pulse_m, to_m - from_m);
    this.chart.follow = true;
    this.chart.view(from_m - 1.2 * beside, to_m + 1.2 * beside);
    this.cursors.move("a", from_m - beside);
    this.cursors.move("b", to_m + beside);
  }

  /** The nearest place before (-1) or behind (1) another where no event hides the fibre of any trace shown. */
  clean(place, way) {
    for (let moved = true; moved; ) {
      moved = false;
      for (const trace of this.visible) {
        for (const h of hidden(trace)) {
          if (h.from_m <= place && place <= h.to_m) {
            place = way < 0 ? h.from_m - 0.1 : h.to_m + 0.1;
            moved = true;
          }
        }
      }
    }
    return place;
  }

  /** A stretch of cable in view and the cursors, to look at the same of the next fibre. */
  kept() {
    const { from_m, to_m, whole_m } = this.chart;
    const is_whole = from_m === whole_m[0] && to_m === whole_m[1];
    return is_whole ? null : { from_m, to_m, at: { ...this.cursors.at }, level: this.cursors.level.checked };
  }

  keep({ from_m, to_m, at, level }) {
    this.chart.view(from_m, to_m);
    this.cursors.level.checked = level;
    this.cursors.move("a", at.a);
    this.cursors.move("b", at.b);
  }

  /** At first the cursors stand just inside both end connectors. */
  first_cursors() {
    const places = this.chart.joints;
    if (places.length < 2) return;
    this.cursors.move("a", this.clean(places[0].at_m, 1));
    this.cursors.move("b", this.clean(places.at(-1).at_m, -1));
  }

  apply() {
    this.chart.set_visible(this.visible, this.front);
    this.cursors.read();
    this.events.replaceChildren(events_table(this));
  }
}

function event_legend(own) {
  const forms = [...new Set(own.flatMap((t) => t.found.events.filter((e) => e.role !== "start").map(event_form)))];
  const picture = (form) => {
    const name = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(name, "svg");
    svg.setAttribute("viewBox", "-10 -10 20 20");
    svg.setAttribute("class", "form");
    svg.setAttribute("aria-hidden", "true");
    const path = document.createElementNS(name, "path");
    path.setAttribute("d", FORMS[form][1]);
    svg.append(path);
    return svg;
  };
  const thinned = own.some((t) => samples_of(t).thinned);
  return el("div", { class: "row faint event-legend" },
    forms.map((form) => el("span", {}, picture(form), FORMS[form][0])),
    el("span", {}, "numbers: events of the trace whose events are listed"),
    thinned ? el("span", {}, "between events samples are thinned to extremes and means") : null);
}

function events_table(view) {
  const trace = view.front;
  const rows = trace.found.events.map((e) => {
    const place = at_m(trace, e.position_m);
    const go = e.role === "start" ? String(e.number) : el("button", { type: "button", class: "go", "data-event": e.number, "aria-label": `zoom on event ${e.number}`, click: () => view.around(place) }, String(e.number));
    const loss = e.loss_db != null ? measured(e.loss_db, e.loss_sigma_db, "dB") : e.loss_at_least_db != null ? `at least ${fixed(e.loss_at_least_db, 2)} dB` : "\u2013";
    return el("tr", {}, el("td", {}, go), el("td", { class: "figure" }, metres(place)), el("td", { class: "figure" }, placed(e.position_m, e.position_sigma_m)), el("td", {}, e.likely ?? e.role), el("td", { class: "figure" }, loss), el("td", { class: "figure" }, reflectance(e.reflectance_db, e.reflectance_sigma_db, e.saturated)), el("td", {}, e.reason));
  });
  const notes = [...trace.found.notes, ...trace.found.second_opinion.map((o) =>
    `${o.says}${o.number == null ? "" : `: event ${o.number}`}${o.position_m == null ? "" : ` at ${metres(at_m(trace, o.position_m))}`}${o.instrument_loss_db == null ? "" : `, the instrument says ${fixed(o.instrument_loss_db, 3)} dB`}`)];
  return el("div", {}, table(`Events seen at ${trace_name(trace.test_data)}`, ["event", "from end a", "from the panel", "likely", "loss", "reflectance", "why"], rows, "events"),
    notes.length ? el("details", {}, el("summary", {}, plural(notes.length, "note on this trace", "notes on this trace")), el("ul", {}, notes.map((n) => el("li", {}, n)))) : null);
}

function joints_table(fiber) {
  const rows = fiber.joints.map((j) => el("tr", { class: `is-${j.verdict ?? "none"}` }, el("th", { scope: "row" }, j.name), el("td", { class: "figure" }, placed(j.at_m, j.at_sigma_m)), el("td", {}, `${j.wavelength_nm} nm`),
    el("td", { class: "figure" }, measured(j.loss_from_a_db, j.loss_from_a_sigma_db, "").trim()), el("td", { class: "figure" }, measured(j.loss_from_b_db, j.loss_from_b_sigma_db, "").trim()), el("td", { class: "figure" }, measured(j.loss_db, j.loss_sigma_db, "").trim()),
    el("td", { class: "figure" }, fixed(limit_at(j.name), 2)), el("td", { class: "figure" }, reflectance(j.reflectance_db, j.reflectance_sigma_db, false)), el("td", {}, verdict(j.verdict), j.waived ? ` ${j.waived}` : "")));
  return table("Joints and ends, from both ends", ["joint", "from end a", "wavelength", "loss from a, dB", "loss from b, dB", "loss, dB", "limit, dB", "reflectance", "verdict"], rows, "joints");
}

const limit_at = (name) => plan.joints.find((j) => j.name === name)?.limit_db ?? (name.startsWith("end ") ? plan.connector_limit_db : null);

function links_table(fiber) {
  const rows = fiber.links.map((l) => el("tr", {}, el("th", { scope: "row" }, `${l.wavelength_nm} nm`), el("td", { class: "figure" }, measured(l.loss_db, l.loss_sigma_db, "dB")), el("td", { class: "figure" }, l.limit_db == null ? "\u2013" : `${fixed(l.limit_db, 2)} dB`), el("td", {}, verdict(l.verdict)),
    el("td", { class: "figure" }, measured(l.return_loss_db, l.return_loss_sigma_db, "dB")), el("td", {}, verdict(l.return_loss_verdict))));
  return table("The link, end connectors included", ["wavelength", "loss", "limit", "verdict", "return loss", "its verdict"], rows, "links");
}

function measurements_table(fiber) {
  const rows = tests_of(fiber.fiber).map((t) => el("tr", {}, el("th", { scope: "row" }, trace_name(t)), el("td", {}, verdict(t.verdict)), el("td", {}, t.reasons.join("; ")), el("td", {}, t.file ?? "\u2013"), el("td", {}, t.operator ?? "\u2013"),
    el("td", {}, [t.instrument, t.serial].filter((s) => s).join(", ") || "\u2013"), el("td", {}, t.measured_at ?? "\u2013"), el("td", {}, t.sha256 ? el("code", { title: t.sha256 }, t.sha256.slice(0, 12)) : "\u2013")));
  return table("Measurements of this fibre", ["measurement", "verdict", "why", "file", "operator", "instrument", "time in the file", "SHA-256"], rows, "measurements");
}

function sections_table(fiber) {
  const rows = (fiber.sections ?? []).map((s) => el("tr", {}, el("th", { scope: "row" }, trace_name(s)), el("td", { class: "figure" }, metres(s.from_m)), el("td", { class: "figure" }, metres(s.to_m)),
    el("td", { class: "figure" }, measured(s.attenuation_db_per_km, s.attenuation_sigma_db_per_km, "dB/km")), el("td", { class: "figure" }, s.limit_db_per_km == null ? "\u2013" : `${fixed(s.limit_db_per_km, 2)} dB/km`), el("td", {}, verdict(s.verdict))));
  return rows.length ? el("details", {}, el("summary", {}, plural(rows.length, "section of fibre", "sections of fibre")), table("Sections of fibre between events", ["trace", "from", "to", "attenuation", "limit", "verdict"], rows, "sections")) : "";
}
