// The traces of one fibre on one axis along the cable; zoom, pan and pinch. uPlot draws.

const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** A place on the axis, with a thin space between thousands where it is long. */
const place_label = (value) => {
  const text = String(+value.toFixed(2));
  return minus(Math.abs(value) < 10000 ? text : text.replace(/\B(?=(\d{3})+(?!\d))/, "\u202f"));
};

/** Levels on the axis, all with as many decimals as one of them needs. */
function level_labels(levels) {
  const digits = Math.max(...levels.map((v) => (String(+v.toFixed(3)).split(".")[1] ?? "").length));
  return levels.map((v) => fixed(v, digits));
}

/** A colour for each wavelength of the plan; traces from end b are broken lines, those that count for nothing dotted ones. */
function line_of(test) {
  const i = Math.max(0, plan.wavelengths_nm.indexOf(test.wavelength_nm)) % 4;
  return { color: css(`--wave-${i}`), dash: is_beside(test) ? [1.5, 3] : test.direction === "b-to-a" ? [5, 3] : [] };
}

const FONT = "12px system-ui, sans-serif";

class Chart {
  /** `on_view` is called when the view has moved. */
  constructor(holder, traces, joints, on_view) {
    Object.assign(this, { holder, traces, joints, on_view, front: traces[0], follow: true, all_levels: false, lines: [], cursors_m: {} });
    this.visible = new Set(traces);
    this.shift_db = new Map(traces.map((trace) => [trace, 0]));
    this.whole_m = this.extent_m();
    [this.from_m, this.to_m] = this.whole_m;
    this.low_db = -40;
    this.high_db = 2;
    const draw = uPlot.paths.linear();
    const points = { show: false };
    this.plot = new uPlot({
      mode: 2,
      ...this.size(),
      legend: { show: false },
      cursor: { show: false },
      scales: { x: { time: false, range: () => [this.from_m, this.to_m] }, y: { range: () => [this.low_db, this.high_db] } },
      axes: [
        { stroke: () => css("--ink"), grid: { stroke: () => css("--faint-line"), width: 1 }, ticks: { show: false }, font: FONT, size: 30, space: 70,
          values: (_, splits) => splits.map(place_label) },
        { stroke: () => css("--ink"), grid: { stroke: () => css("--faint-line"), width: 1 }, ticks: { show: false }, font: FONT, size: 50,
          values: (_, splits) => level_labels(splits) },
      ],
      series: [null, ...traces.map((trace) => ({
        facets: [{ scale: "x", auto: false }, { scale: "y", auto: false }],
        stroke: () => line_of(trace.test_data).color,
        dash: line_of(trace.test_data).dash,
        width: 1.25,
        points,
        // Only what is in view, and a sample to each side of it, is drawn.
        paths: (u, series) => {
          const { x } = samples_of(trace);
          const last = x.length - 1;
          return draw(u, series, Math.max(0, first_from(x, this.from_m) - 1), Math.min(last, first_from(x, this.to_m)));
        },
      }))],
      hooks: { draw: [(u) => draw_marks(this, u)] },
    }, this.shifted(), holder);
    this.gestures();
    this.resize = new ResizeObserver(() => this.plot.setSize(this.size()));
    this.resize.observe(holder);
    this.show();
  }

  /** What uPlot draws: places and levels of each trace. */
  shifted() {
    return [null, ...this.traces.map((trace) => {
      const { x, y } = samples_of(trace);
      const shift = this.shift_db.get(trace);
      return [x, shift === 0 ? y : y.map((level) => level + shift)];
    })];
  }

  /** Draws each trace that much higher; only the picture moves, no reading does. */
  shift(shift_of) {
    for (const trace of this.traces) this.shift_db.set(trace, shift_of(trace));
    this.plot.setData(this.shifted(), false);
    this.show();
  }

  size() {
    const width = Math.max(200, this.holder.clientWidth);
    return { width, height: width < 560 ? 300 : 420 };
  }

  /** From the first to the last place with anything but noise. */
  extent_m() {
    const ends = this.traces.flatMap((trace) => {
      const all = samples_of(trace);
      const seen = trace.found.noise.noise_from_m;
      const far = seen == null ? null : at_m(trace, seen + 0.04 * seen);
      const [first, last] = [all.x[0], all.x.at(-1)];
      return [trace.at_per_m < 0 ? Math.max(first, far ?? first) : first, trace.at_per_m > 0 ? Math.min(last, far ?? last) : last];
    });
    return [Math.min(...ends), Math.max(...ends)];
  }

  /** Lowest and highest level in view between two places; of fibre alone where events hide none of it. */
  range_db(from_m, to_m, fiber_alone) {
    let low = Infinity, high = -Infinity;
    for (const trace of this.visible) {
      const { x, y } = samples_of(trace);
      const shift = this.shift_db.get(trace);
      const skip = fiber_alone ? hidden(trace) : [];
      // Behind its end, which may be a break, a trace has nothing of the fibre.
      const end = fiber_alone && trace.found.events.find((e) => e.role === "end");
      const own = end ? [0, end.position_m].map((m) => at_m(trace, m)).sort((a, b) => a - b) : [-Infinity, Infinity];
      const from = first_from(x, Math.max(from_m, this.from_m, own[0]));
      const to = Math.min(x.length, first_from(x, Math.min(to_m, this.to_m, own[1])) + 1);
      for (let i = Math.max(0, from - 1), next = 0; i < to; i++) {
        while (next < skip.length && skip[next].to_m < x[i]) next++;
        if (next < skip.length && skip[next].from_m <= x[i]) continue;
        low = Math.min(low, y[i] + shift);
        high = Math.max(high, y[i] + shift);
      }
    }
    return [low, high];
  }

  /** Levels of the fibre in view between both end connectors, with a third of the height for what rises above it. */
  fiber_levels() {
    const ends = this.joints.map((joint) => joint.at_m);
    const [low, high] = this.range_db(Math.min(...ends), Math.max(...ends), true);
    if (!(high >= low)) return null;
    const length = Math.max(0.5, high - low);
    return [low - 0.15 * length, high + 0.55 * length];
  }

  /** Levels of what is in view. */
  levels() {
    const fiber = this.all_levels ? null : this.fiber_levels();
    return fiber ?? this.levels_of_all();
  }

  /** The same with every peak, down to the noise. */
  levels_of_all() {
    let [low, high] = this.range_db(-Infinity, Infinity, false), floor = Infinity;
    for (const trace of this.visible) {
      const own = trace.found.noise.floor_db;
      if (own != null) floor = Math.min(floor, own - trace.top_db + this.shift_db.get(trace));
    }
    if (!(high > low)) return [-40, 2];
    // Below the noise there is nothing to see, however deep single samples fall.
    if (floor < Infinity) low = Math.max(low, Math.min(floor - 4, high - 1));
    const room = 0.06 * (high - low) + 0.01;
    return [low - room, high + 2.5 * room];
  }

  show() {
    if (this.follow) [this.low_db, this.high_db] = this.levels();
    this.plot.batch(() => {
      this.plot.setScale("x", { min: this.from_m, max: this.to_m });
      this.plot.setScale("y", { min: this.low_db, max: this.high_db });
    });
    this.plot.redraw();
    this.holder.dataset.fromM = this.from_m.toFixed(2);
    this.holder.dataset.toM = this.to_m.toFixed(2);
    this.holder.dataset.lowDb = this.low_db.toFixed(3);
    this.holder.dataset.highDb = this.high_db.toFixed(3);
    this.on_view();
  }

  set_visible(visible, front) {
    this.visible = new Set(visible);
    this.front = front;
    this.traces.forEach((trace, i) => this.plot.setSeries(i + 1, { show: this.visible.has(trace) }));
    this.show();
  }

  /** Shows a stretch of cable, never less than two metres, never beyond the traces. */
  view(from_m, to_m) {
    const [first, last] = this.whole_m;
    const length = Math.min(last - first, Math.max(2, to_m - from_m));
    const middle = 0.5 * (from_m + to_m);
    this.from_m = Math.min(Math.max(first, middle - 0.5 * length), last - length);
    this.to_m = this.from_m + length;
    this.show();
  }

  zoom(factor, about_m = 0.5 * (this.from_m + this.to_m)) {
    this.view(about_m - (about_m - this.from_m) * factor, about_m + (this.to_m - about_m) * factor);
  }

  pan(share) {
    const step = share * (this.to_m - this.from_m);
    this.view(this.from_m + step, this.to_m + step);
  }

  zoom_levels(factor, about_db = 0.5 * (this.low_db + this.high_db)) {
    this.follow = false;
    this.low_db = about_db - (about_db - this.low_db) * factor;
    this.high_db = about_db + (this.high_db - about_db) * factor;
    this.show();
  }

  /** Whether peaks are shown up to their tops, and the noise. */
  show_all_levels(on) {
    this.all_levels = on;
    this.follow = true;
    this.show();
  }

  whole() {
    this.follow = true;
    this.view(...this.whole_m);
  }

  place_at(client_x) {
    return this.plot.posToVal(client_x - this.plot.over.getBoundingClientRect().left, "x");
  }

  level_at(client_y) {
    return this.plot.posToVal(client_y - this.plot.over.getBoundingClientRect().top, "y");
  }

  left_of(place) {
    return this.plot.valToPos(place, "x");
  }

  /** Wheel zooms, drag pans, two fingers pinch: along the cable, or the levels where they move that way. */
  gestures() {
    const over = this.plot.over;
    const fingers = new Map();
    over.addEventListener("wheel", (event) => {
      event.preventDefault();
      const factor = Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300)));
      if (event.shiftKey) this.zoom_levels(Math.exp((event.deltaY || event.deltaX) / 300), this.level_at(event.clientY));
      else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) this.pan(event.deltaX / 1000);
      else this.zoom(factor, this.place_at(event.clientX));
    }, { passive: false });
    over.addEventListener("dblclick", () => this.whole());
    over.addEventListener("pointerdown", (event) => {
      if (event.target !== over || event.button > 0) return;
      over.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY, moved: 0 });
    });
    over.addEventListener("pointermove", (event) => {
      const own = fingers.get(event.pointerId);
      if (!own) return;
      const before = [...fingers.values()].map((f) => ({ ...f }));
      own.moved += Math.abs(event.clientX - own.x) + Math.abs(event.clientY - own.y);
      const from = this.place_at(own.x);
      [own.x, own.y] = [event.clientX, event.clientY];
      if (fingers.size === 1) {
        const step = from - this.place_at(own.x);
        if (own.moved > 4) this.view(this.from_m + step, this.to_m + step);
      } else if (fingers.size === 2) {
        this.pinch(before, [...fingers.values()]);
      }
    });
    const lift = (event) => {
      const own = fingers.get(event.pointerId);
      fingers.delete(event.pointerId);
      if (event.type === "pointerup" && own && own.moved <= 4 && fingers.size === 0) this.on_tap?.(this.place_at(event.clientX));
    };
    over.addEventListener("pointerup", lift);
    over.addEventListener("pointercancel", lift);
  }

  pinch(before, now) {
    const spread = (two, axis) => Math.abs(two[0][axis] - two[1][axis]);
    const middle = (two, axis) => 0.5 * (two[0][axis] + two[1][axis]);
    const axis = spread(before, "x") >= spread(before, "y") ? "x" : "y";
    if (spread(now, axis) < 12 || spread(before, axis) < 12) return;
    const factor = spread(before, axis) / spread(now, axis);
    if (axis === "x") this.zoom(factor, this.place_at(middle(now, "x")));
    else this.zoom_levels(factor, this.level_at(middle(now, "y")));
  }

  destroy() {
    this.resize.disconnect();
    this.plot.destroy();
  }
}
