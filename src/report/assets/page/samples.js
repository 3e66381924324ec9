// What the page holds: documents, and each trace's samples unpacked when they are first looked at.
// The stream of samples is described in src/report/page/samples.rs.

const data = (name) => JSON.parse(document.getElementById(`data-${name}`).textContent);
const review = data("review");
const plan = data("plan");
const traces = data("traces");
const by_fiber = new Map();
for (const test of review.tests) {
  if (!by_fiber.has(test.fiber)) by_fiber.set(test.fiber, []);
  by_fiber.get(test.fiber).push(test);
}
traces.forEach((trace, i) => {
  trace.number = i;
  trace.test_data = review.tests[trace.test];
});

/** Groups of samples: index of the first, how many, first and second extreme, mean; levels in dB. */
function unpack(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  let at = 0;
  const unsigned = () => {
    let number = 0, weight = 1, byte;
    do {
      byte = bytes[at++];
      number += (byte & 127) * weight;
      weight *= 128;
    } while (byte & 128);
    return number;
  };
  let level = 0;
  const next_db = () => {
    const step = unsigned();
    level += step % 2 ? -(step + 1) / 2 : step / 2;
    return level / 1000;
  };
  const groups = { first: [], size: [], one_db: [], other_db: [], mean_db: [] };
  let first = 0;
  while (at < bytes.length) {
    const count = unsigned(), size = unsigned();
    for (let i = 0; i < count; i++) {
      const one = next_db();
      groups.first.push(first);
      groups.size.push(size);
      groups.one_db.push(one);
      groups.other_db.push(size > 1 ? next_db() : one);
      groups.mean_db.push(size > 1 ? next_db() : one);
      first += size;
    }
  }
  return groups;
}

/** Place in the cable of a sample, which may lie between two. */
function place_m(trace, sample) {
  let own = trace.stretches[0];
  for (const stretch of trace.stretches) {
    if (stretch.first <= sample) own = stretch;
  }
  return at_m(trace, own.position_m + (sample - own.first) * own.spacing_m);
}

/** Place in the cable of a distance from the panel: traces from end b are mirrored. */
function at_m(trace, position_m) {
  return trace.at_zero_m + trace.at_per_m * position_m;
}

/**
 * The samples of a trace in order along the cable, levels in dB below its brightest sample.
 * `x`, `y`: what is drawn. `middle_m`, `mean_db`, `size`: what the cursors read.
 */
function samples_of(trace) {
  if (trace.samples) return trace.samples;
  const g = unpack(data(`samples-${trace.number}`));
  const all = { x: [], y: [], middle_m: [], mean_db: [], size: [], thinned: false };
  for (let i = 0; i < g.first.length; i++) {
    const size = g.size[i];
    if (size > 1) {
      all.thinned = true;
      all.x.push(place_m(trace, g.first[i] + 0.25 * (size - 1)), place_m(trace, g.first[i] + 0.75 * (size - 1)));
      all.y.push(g.one_db[i] - trace.top_db, g.other_db[i] - trace.top_db);
    } else {
      all.x.push(place_m(trace, g.first[i]));
      all.y.push(g.one_db[i] - trace.top_db);
    }
    all.middle_m.push(place_m(trace, g.first[i] + 0.5 * (size - 1)));
    all.mean_db.push(g.mean_db[i] - trace.top_db);
    all.size.push(size);
  }
  if (trace.at_per_m < 0) {
    for (const part of [all.x, all.y, all.middle_m, all.mean_db, all.size]) part.reverse();
  }
  trace.samples = all;
  return all;
}

/** Index of the first of ascending `values` that is not below `wanted`. */
function first_from(values, wanted) {
  let low = 0, high = values.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < wanted) low = middle + 1;
    else high = middle;
  }
  return low;
}
