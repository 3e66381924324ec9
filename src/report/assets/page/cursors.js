// Two cursors over the chart, and the table of what they read.

const READINGS = ["trace", "two-point", "fitted", "slope", "step of the fitted lines"];

class Cursors {
  constructor(chart, readout) {
    Object.assign(this, { chart, readout });
    const [first, last] = chart.whole_m;
    this.at = { a: first + 0.25 * (last - first), b: first + 0.75 * (last - first) };
    this.handles = {};
    for (const name of ["a", "b"]) {
        const handle = el("div", { class: `cursor cursor-${name}`, role: "slider", tabindex: "0", "aria-label": `Cursor ${name.toUpperCase()}`, "aria-orientation": "horizontal" });
      handle.addEventListener("keydown", (event) => this.key(event, name));
      handle.addEventListener("pointerdown", (event) => {
        event.stopPropagation();
        handle.setPointerCapture(event.pointerId);
        handle.focus();
      });
      handle.addEventListener("pointermove", (event) => {
        if (handle.hasPointerCapture(event.pointerId)) this.move(name, chart.place_at(event.clientX));
      });
      chart.plot.over.append(handle);
      this.handles[name] = handle;
    }
    chart.on_tap = (place) => {
      const nearest = Math.abs(place - this.at.a) <= Math.abs(place - this.at.b) ? "a" : "b";
      this.move(nearest, place);
    };
    this.build();
  }

  /** Fields that take a place as a number, the distance, and a table with a row for each trace. */
  build() {
    this.fields = {};
    const field = (name) => {
      const input = el("input", { type: "number", step: "any", id: `place-${name}`, inputmode: "decimal" });
      input.addEventListener("change", () => { if (input.value !== "") this.move(name, Number(input.value)); });
      this.fields[name] = input;
      return el("label", {}, `${name.toUpperCase()} at `, input, " m");
    };
    this.spoken = el("p", { class: "spoken", role: "status" });
    this.distance = el("output", { id: "distance", for: "place-a place-b" });
    const rows = table("Between the cursors: loss along the light\u2019s own way, \u00b1 one sigma of the noise alone", READINGS, [], "readings");
    this.table = rows.querySelector("tbody");
    this.level = el("input", { type: "checkbox", id: "level-at-a", change: () => this.read() });
    this.readout.append(
      el("div", { class: "row places" }, field("a"), field("b"), el("p", {}, "from A to B ", this.distance),
        el("label", {}, this.level, " draw all traces level at A")),
      rows, this.spoken);
  }

  /** Says the readings of the trace in front, once the cursors have stood still for a moment. */
  speak(row) {
    clearTimeout(this.pause);
    const text = `${this.distance.textContent} between the cursors. ` + (row == null ? "" : row.fitted_db == null ? row.why : `fitted loss ${measured(row.fitted_db, row.fitted_sigma_db, "dB")}`);
    this.pause = setTimeout(() => { this.spoken.textContent = text; }, 700);
  }

  move(name, place) {
    const [first, last] = this.chart.whole_m;
    this.at[name] = Math.min(last, Math.max(first, place));
    this.read();
  }

  /** Arrows move by a sample, with Shift by ten; Page keys jump from event to event; Home and End to the view's edges. */
  key(event, name) {
    const chart = this.chart;
    const step = chart.front.stretches[0].spacing_m * (event.shiftKey ? 10 : 1);
    const stops = hidden(chart.front).flatMap((h) => [h.from_m - 1, h.to_m + 1]).sort((x, y) => x - y);
    const here = this.at[name];
    const places = {
      ArrowLeft: here - step,
      ArrowDown: here - step,
      ArrowRight: here + step,
      ArrowUp: here + step,
      PageDown: stops.filter((s) => s < here - 0.01).at(-1) ?? here,
      PageUp: stops.find((s) => s > here + 0.01) ?? here,
      Home: chart.from_m,
      End: chart.to_m,
    };
    if (!(event.key in places)) return;
    event.preventDefault();
    event.stopPropagation();
    this.move(name, places[event.key]);
    if (this.at[name] < chart.from_m || this.at[name] > chart.to_m) {
      const half = 0.5 * (chart.to_m - chart.from_m);
      chart.view(this.at[name] - half, this.at[name] + half);
    }
  }

  /** Puts the handles where the view wants them. */
  place() {
    const width = this.chart.plot.over.clientWidth;
    for (const [name, handle] of Object.entries(this.handles)) {
      const left = this.chart.left_of(this.at[name]);
      handle.style.transform = `translateX(${Math.min(width, Math.max(0, left))}px)`;
      handle.setAttribute("aria-valuemin", this.chart.whole_m[0].toFixed(1));
      handle.setAttribute("aria-valuemax", this.chart.whole_m[1].toFixed(1));
      handle.setAttribute("aria-valuenow", this.at[name].toFixed(1));
      handle.setAttribute("aria-valuetext", metres(this.at[name], 1));
    }
  }

  read() {
    const { a, b } = this.at;
    const [from_m, to_m] = [Math.min(a, b), Math.max(a, b)];
    for (const name of ["a", "b"]) {
      if (document.activeElement !== this.fields[name]) this.fields[name].value = this.at[name].toFixed(2);
    }
    this.distance.textContent = metres(to_m - from_m, 2);
    this.distance.dataset.m = to_m - from_m;
    const shown_traces = this.chart.traces.filter((trace) => this.chart.visible.has(trace));
    const rows = shown_traces.map((trace) => ({ trace, ...reading(trace, from_m, to_m) }));
    this.table.replaceChildren(...rows.map((row) => reading_row(trace_name(row.trace.test_data), row, row.trace)), ...means(rows));
    const front = rows.find((row) => row.trace === this.chart.front);
    this.chart.lines = front?.lines ?? [];
    this.speak(front);
    this.chart.cursors_m = this.at;
    this.align();
    this.place();
    this.chart.plot.redraw(false);
  }

  /** Draws all traces through one point at cursor A, where that is asked for: what they lose behind it shows. */
  align() {
    const level = this.level.checked;
    if (!level && !this.aligned) return;
    this.aligned = level;
    this.chart.shift((trace) => (level ? -(level_near(trace, this.at.a) ?? 0) : 0));
  }
}

function reading_row(name, row, trace) {
  const figure = (value, sigma, unit, key) => el("td", { class: "figure", [`data-${key}`]: value ?? false, [`data-${key}-sigma`]: sigma ?? false }, measured(value, sigma, unit));
  const step = row.step_db == null ? el("td", { class: "faint" }, row.why) : figure(row.step_db, row.step_sigma_db, "dB", "step-db");
  if (row.step_event != null) step.append(el("span", { class: "faint" }, ` at event ${row.step_event}`));
  return labelled(el("tr", { "data-trace": trace?.number ?? false },
    el("th", { scope: "row" }, trace ? key_line(trace.test_data) : "", name),
    figure(row.two_point_db, row.two_point_sigma_db, "dB", "two-point-db"),
    figure(row.fitted_db, row.fitted_sigma_db, "dB", "fitted-db"),
    figure(row.db_per_km, row.db_per_km_sigma, "dB/km", "db-per-km"),
    step), READINGS);
}

/** Of each wavelength read from both ends, the mean: what unequal fibres fake cancels in it. */
function means(rows) {
  const out = [];
  for (const nm of plan.wavelengths_nm) {
    const own = DIRECTIONS.map((d) => rows.find(({ trace: { test_data: t } }) => t.counts && t.wavelength_nm === nm && t.direction === d));
    if (own.includes(undefined)) continue;
    const mean = (key) => (own.some((r) => r[key] == null) ? null : 0.5 * (own[0][key] + own[1][key]));
    const sigma = (key) => (own.some((r) => r[key] == null) ? null : 0.5 * Math.hypot(own[0][key], own[1][key]));
    const row = { why: "", step_event: null };
    for (const key of ["two_point_db", "fitted_db", "db_per_km", "step_db"]) row[key] = mean(key);
    for (const key of ["two_point_sigma_db", "fitted_sigma_db", "db_per_km_sigma", "step_sigma_db"]) row[key] = sigma(key);
    out.push(reading_row(`${nm} nm, mean of both ends`, row, null));
  }
  return out;
}

/** A short piece of the line that a trace is drawn with. */
function key_line(test) {
  const i = Math.max(0, plan.wavelengths_nm.indexOf(test.wavelength_nm)) % 4;
  return el("span", { class: `key-line wave-${i}${test.direction === "b-to-a" ? " from-b" : ""}`, "aria-hidden": "true" });
}
