// What is drawn over the traces: planned joints, events, and the lines that the cursors fitted.

/** The planned joints, the events of each trace, and the lines that the cursors fitted. */
function draw_marks(chart, u) {
  const { ctx, bbox } = u;
  const dot = devicePixelRatio;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.font = `${12 * dot}px system-ui, sans-serif`;
  ctx.textBaseline = "top";
  ctx.textAlign = "left";
  ctx.lineWidth = dot;
  for (const joint of chart.joints) {
    const x = u.valToPos(joint.at_m, "x", true);
    ctx.strokeStyle = css("--joint-line");
    ctx.setLineDash([2 * dot, 4 * dot]);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top + 18 * dot);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
  }
  ctx.setLineDash([]);
  const shift = chart.shift_db.get(chart.front);
  for (const { line, from_m, to_m } of chart.lines) {
    ctx.strokeStyle = css("--ink");
    ctx.lineWidth = 2 * dot;
    ctx.beginPath();
    ctx.moveTo(u.valToPos(from_m, "x", true), u.valToPos(line.at(from_m) + shift, "y", true));
    ctx.lineTo(u.valToPos(to_m, "x", true), u.valToPos(line.at(to_m) + shift, "y", true));
    ctx.stroke();
  }
  for (const trace of chart.visible) {
    for (const event of trace.found.events) {
      const place = at_m(trace, event.position_m);
      const level = level_db(trace, place);
      if (event.role === "start" || level == null) continue;
      const [x, y] = [u.valToPos(place, "x", true), u.valToPos(level + chart.shift_db.get(trace), "y", true)];
      ctx.globalAlpha = trace === chart.front ? 1 : 0.6;
      draw_event(ctx, event_form(event), x, y, dot, line_of(trace.test_data).color);
      if (trace === chart.front) {
        ctx.fillStyle = css("--mark");
        ctx.fillText(String(event.number), x + 6 * dot, Math.max(bbox.top + 18 * dot, y - 18 * dot));
      }
    }
  }
  draw_cursors(ctx, chart, u, dot);
  draw_names(ctx, chart, u, dot);
  ctx.restore();
}

/** Names of joints over their lines, on a ground of their own: a cursor may stand there too. */
function draw_names(ctx, chart, u, dot) {
  ctx.setLineDash([]);
  let taken = -Infinity;
  for (const joint of chart.joints) {
    const text = shown(joint.name), width = ctx.measureText(text).width;
    const left = u.valToPos(joint.at_m, "x", true) - 0.5 * width;
    if (left <= taken) continue;
    ctx.fillStyle = css("--ground");
    ctx.fillRect(left - 3 * dot, u.bbox.top, width + 6 * dot, 17 * dot);
    ctx.fillStyle = css("--ink");
    ctx.fillText(text, left, u.bbox.top + 3 * dot);
    taken = left + width + 6 * dot;
  }
}

/** Cursor A is a whole line, B a broken one; each with its letter at the foot. */
function draw_cursors(ctx, chart, u, dot) {
  const bottom = u.bbox.top + u.bbox.height;
  ctx.globalAlpha = 1;
  for (const [letter, place] of Object.entries(chart.cursors_m)) {
    const x = u.valToPos(place, "x", true);
    ctx.strokeStyle = ctx.fillStyle = css("--cursor");
    ctx.lineWidth = 2 * dot;
    ctx.setLineDash(letter === "b" ? [6 * dot, 4 * dot] : []);
    ctx.beginPath();
    ctx.moveTo(x, u.bbox.top);
    ctx.lineTo(x, bottom);
    ctx.stroke();
    ctx.fillRect(x, bottom - 20 * dot, 20 * dot, 20 * dot);
    ctx.fillStyle = css("--ground");
    ctx.fillText(letter.toUpperCase(), x + 6 * dot, bottom - 16 * dot);
  }
}

/** Each kind of event has a form of its own. */
const FORMS = {
  step: ["step without reflection", "M-4 -4H0V4H4"],
  peak: ["reflection, fibre goes on", "M-4 4L0 -8L4 4"],
  fork: ["likely a splitter", "M-5 0H0L5 -5M0 0L5 5"],
  end: ["end of what can be seen", "M0 -8V8M4 -8V8"],
  echo: ["echo, not part of the link", "M4 0A4 4 0 1 1 -4 0A4 4 0 1 1 4 0"],
};

function event_form(event) {
  if (event.role === "echo") return "echo";
  if (event.role === "end") return "end";
  if (event.likely === "splitter") return "fork";
  return event.shape === "reflective" ? "peak" : "step";
}

function draw_event(ctx, form, x, y, dot, color) {
  const path = new Path2D();
  path.addPath(new Path2D(FORMS[form][1]), new DOMMatrix([dot, 0, 0, dot, x, y]));
  ctx.lineWidth = 4.5 * dot;
  ctx.strokeStyle = css("--ground");
  ctx.stroke(path);
  ctx.lineWidth = 2 * dot;
  ctx.strokeStyle = color;
  ctx.stroke(path);
}
