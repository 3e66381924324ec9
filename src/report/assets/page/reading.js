// What two cursors read of one trace. Everything else on this page was computed before.

/** Fewest blocks a line is fitted to: two fix it, the others say how well. */
const LEAST_BLOCKS = 6;

/** How many neighbouring samples count as one: they share the receiver's noise, and the glass under the pulse. */
const alike = (trace) => Math.max(1, trace.found.noise.correlated_samples, (0.5 * trace.pulse_m) / trace.stretches[0].spacing_m);

/**
 * Samples between two places, joined to blocks so long that they have little in common: four times
 * the length over which they are alike. Short stretches keep what they have.
 */
function blocks(trace, from_m, to_m) {
  const all = samples_of(trace);
  const from = first_from(all.middle_m, from_m), to = first_from(all.middle_m, to_m);
  const shared = 4 * alike(trace);
  let samples = 0;
  for (let i = from; i < to; i++) samples += all.size[i];
  const least = Math.max(1, Math.min(shared, samples / (2 * LEAST_BLOCKS)));
  const out = [];
  let block = { x: 0, y: 0, n: 0 };
  for (let i = from; i < to; i++) {
    block.x += all.middle_m[i] * all.size[i];
    block.y += all.mean_db[i] * all.size[i];
    block.n += all.size[i];
    if (block.n >= least) {
      out.push({ x: block.x / block.n, y: block.y / block.n, n: block.n });
      block = { x: 0, y: 0, n: 0 };
    }
  }
  // Where blocks had to be shorter than the noise is long, their scatter says too little by this.
  return { list: out, widen: Math.sqrt(Math.max(1, shared / 4 / least)) };
}

/**
 * The least-squares line through blocks, each weighing as many samples as it joins; `null` for too few.
 * Sigmas from the scatter about it: JCGM 100:2008, annex H.3.
 */
function fitted_line({ list, widen }) {
  if (list.length < LEAST_BLOCKS) return null;
  let n = 0, x = 0, y = 0;
  for (const b of list) n += b.n, x += b.n * b.x, y += b.n * b.y;
  x /= n;
  y /= n;
  let xx = 0, xy = 0, rest = 0;
  for (const b of list) xx += b.n * (b.x - x) ** 2, xy += b.n * (b.x - x) * (b.y - y);
  const slope = xy / xx;
  for (const b of list) rest += b.n * (b.y - y - slope * (b.x - x)) ** 2;
  const sample = widen ** 2 * rest / (list.length - 2);
  return {
    slope,
    sample, // variance that one sample alone adds, noise shared with its neighbours counted in
    slope_sigma: Math.sqrt(sample / xx),
    at: (place) => y + slope * (place - x),
    sigma_at: (place) => Math.sqrt(sample / n + sample * (place - x) ** 2 / xx),
  };
}

/**
 * Where a trace's events hide the fibre, in order along the cable: from a little before an event to a
 * pulse behind what it hides, by when the receiver has settled.
 */
function hidden(trace) {
  const before = 0.25 * trace.pulse_m + 2 * trace.stretches[0].spacing_m;
  return trace.found.events
    .filter((event) => event.role !== "start")
    .map((event) => {
      const ends = [event.position_m - before, event.position_m + event.extent_m + trace.pulse_m].map((m) => at_m(trace, m));
      return { event, at_m: at_m(trace, event.position_m), from_m: Math.min(...ends), to_m: Math.max(...ends) };
    })
    .sort((a, b) => a.at_m - b.at_m);
}

/** The level at a place, between its two neighbours; `null` beside the samples. */
function level_db(trace, place) {
  const all = samples_of(trace);
  const i = first_from(all.middle_m, place);
  if (i >= all.middle_m.length || (i === 0 && all.middle_m[0] > place)) return null;
  if (i === 0) return all.mean_db[0];
  const share = (place - all.middle_m[i - 1]) / (all.middle_m[i] - all.middle_m[i - 1]);
  return all.mean_db[i - 1] + share * (all.mean_db[i] - all.mean_db[i - 1]);
}

/** One sigma of a single level, from the scatter about the line beside it. */
function level_sigma_db(trace, place, line) {
  const all = samples_of(trace);
  const joined = all.size[Math.min(all.size.length - 1, first_from(all.middle_m, place))];
  return Math.sqrt(line.sample / Math.max(joined, alike(trace)));
}

/** The mean level about a place; `null` beside the samples. */
function level_near(trace, place) {
  if (level_db(trace, place) == null) return null;
  const { middle_m, mean_db } = samples_of(trace);
  const i = first_from(middle_m, place);
  const near = mean_db.slice(Math.max(0, i - 5), i + 5);
  return near.reduce((sum, level) => sum + level, 0) / near.length;
}

/**
 * What the cursors read between two places, `from_m` the nearer to end a. Losses in dB along the
 * light's own way, positive where light is lost. `null` where there is no reading, `why` says why.
 */
function reading(trace, from_m, to_m) {
  const way = trace.at_per_m;
  const out = { two_point_db: null, two_point_sigma_db: null, fitted_db: null, fitted_sigma_db: null, db_per_km: null,
    db_per_km_sigma: null, step_db: null, step_sigma_db: null, step_event: null, why: "", lines: [] };
  const levels = [from_m, to_m].map((place) => level_db(trace, place));
  if (levels.includes(null)) {
    out.why = "a cursor stands beside this trace";
    return out;
  }
  out.two_point_db = way * (levels[0] - levels[1]);
  const between = hidden(trace).filter((h) => h.to_m > from_m && h.from_m < to_m);
  if (between.length === 0) {
    const line = fitted_line(blocks(trace, from_m, to_m));
    if (!line) {
      out.why = "too few samples for a line";
      return out;
    }
    out.fitted_db = way * (line.at(from_m) - line.at(to_m));
    out.fitted_sigma_db = line.slope_sigma * (to_m - from_m);
    out.db_per_km = -way * line.slope * 1000;
    out.db_per_km_sigma = line.slope_sigma * 1000;
    out.lines.push({ line, from_m, to_m });
    out.two_point_sigma_db = Math.hypot(level_sigma_db(trace, from_m, line), level_sigma_db(trace, to_m, line));
    return out;
  }
  const left_to_m = Math.min(...between.map((h) => h.from_m));
  const right_from_m = Math.max(...between.map((h) => h.to_m));
  const left = fitted_line(blocks(trace, from_m, left_to_m));
  const right = fitted_line(blocks(trace, right_from_m, to_m));
  if (!left || !right) {
    const [name, first, last] = left ? ["B", between.at(-1), null] : ["A", between[0], null];
    out.why = `too little clean fibre between cursor ${name} and event ${(first ?? last).event.number}`;
    return out;
  }
  out.fitted_db = way * (left.at(from_m) - right.at(to_m));
  out.fitted_sigma_db = Math.hypot(left.sigma_at(from_m), right.sigma_at(to_m));
  out.two_point_sigma_db = Math.hypot(level_sigma_db(trace, from_m, left), level_sigma_db(trace, to_m, right));
  out.lines.push({ line: left, from_m, to_m: left_to_m }, { line: right, from_m: right_from_m, to_m });
  if (between.length === 1) {
    const place = between[0].at_m;
    out.step_event = between[0].event.number;
    out.step_db = way * (left.at(place) - right.at(place));
    out.step_sigma_db = Math.hypot(left.sigma_at(place), right.sigma_at(place));
    out.lines[0].to_m = out.lines[1].from_m = place;
  }
  return out;
}
