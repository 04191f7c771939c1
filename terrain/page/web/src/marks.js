// What is drawn over the plan: the sole and what carries it, areas people decided on, lines.

const DARK = "#111111",
  LIGHT = "#ffffff";

// A line that is seen on any ground: light below, dark above.
function twice(c, width, dash, trace) {
  for (const [colour, extra] of [
    [LIGHT, 3],
    [DARK, 0],
  ]) {
    c.strokeStyle = colour;
    c.lineWidth = width + extra;
    c.setLineDash(extra ? [] : dash);
    c.beginPath();
    trace();
    c.stroke();
  }
  c.setLineDash([]);
}

function trace(c, show, corners, close = true) {
  corners.forEach(([x, y], k) => {
    const [px, py] = show.toScreen(x, y);
    if (k) c.lineTo(px, py);
    else c.moveTo(px, py);
  });
  if (close) c.closePath();
}

export function soleCorners(foot, sole) {
  const cos = Math.cos(sole.yaw),
    sin = Math.sin(sole.yaw);
  return foot.outline_m.map(([x, y]) => [sole.x + cos * x - sin * y, sole.y + sin * x + cos * y]);
}

export function drawSole(c, show, foot, sole, answer, handle) {
  const width = 2 * show.theme.width;
  twice(c, width, [], () => trace(c, show, soleCorners(foot, sole)));
  const [px, py] = show.toScreen(sole.x, sole.y),
    [hx, hy] = show.toScreen(...handle);
  const toe = Math.max(...foot.outline_m.map((corner) => corner[0]));
  const [tx, ty] = show.toScreen(sole.x + Math.cos(sole.yaw) * toe, sole.y + Math.sin(sole.yaw) * toe);
  twice(c, width / 2 + 0.5, [], () => {
    c.moveTo(tx, ty);
    c.lineTo(hx, hy);
  });
  c.fillStyle = LIGHT;
  c.strokeStyle = DARK;
  c.lineWidth = width;
  c.beginPath();
  c.arc(hx, hy, 9, 0, 2 * Math.PI);
  c.fill();
  c.stroke();
  c.beginPath();
  c.arc(hx, hy, 3, 0, 2 * Math.PI);
  c.fillStyle = DARK;
  c.fill();
  twice(c, 1.5, [], () => {
    c.moveTo(px - 8, py);
    c.lineTo(px + 8, py);
    c.moveTo(px, py - 8);
    c.lineTo(px, py + 8);
    c.moveTo(px + 4, py);
    c.arc(px, py, 4, 0, 2 * Math.PI);
  });
  if (answer) drawSlope(c, show, sole, answer.contact.downhill_deg);
}

// An arrow down the resting plane, away from the sole so that it hides nothing.
function drawSlope(c, show, sole, downhill) {
  if (downhill === null) return;
  const turn = (downhill * Math.PI) / 180,
    [px, py] = show.toScreen(sole.x, sole.y);
  const dx = Math.cos(turn),
    dy = -Math.sin(turn),
    from = 16,
    to = 44;
  if (0.3 * show.scale < 30) return;
  twice(c, 1.5, [], () => {
    c.moveTo(px + dx * from, py + dy * from);
    c.lineTo(px + dx * to, py + dy * to);
    for (const side of [2.6, -2.6]) {
      c.moveTo(px + dx * to, py + dy * to);
      c.lineTo(px + dx * to + 9 * Math.cos(turn + side), py + dy * to - 9 * Math.sin(turn + side));
    }
  });
}

// Cells: full where they carry, hollow where the ground is lower, struck out past an edge, a dot where nothing is.
export function drawContact(c, show, { contact, verdict }) {
  const { cells, hull_m: hull, nearest_m: nearest } = contact,
    size = cells.size_m * show.scale;
  if (size < 2.2) return;
  const inset = Math.max(0.6, size * 0.16),
    side = size - 2 * inset;
  c.fillStyle = "rgba(255, 255, 255, 0.6)";
  c.beginPath();
  trace(c, show, contact.outline_m);
  c.fill();
  c.lineWidth = Math.min(1, size / 8);
  for (let k = 0; k < cells.x_m.length; k++) {
    const [px, py] = show.toScreen(cells.x_m[k], cells.y_m[k]),
      x = px - side / 2,
      y = py - side / 2;
    const state = cells.state[k];
    if (state === 0) {
      c.fillStyle = cells.seen[k] ? "rgba(0, 60, 130, 0.62)" : "rgba(0, 60, 130, 0.28)";
      c.fillRect(x, y, side, side);
    } else if (state === 3) {
      c.fillStyle = DARK;
      c.fillRect(px - 1, py - 1, 2, 2);
    } else {
      c.strokeStyle = DARK;
      if (state === 1) c.strokeRect(x, y, side, side);
      else {
        const d = side * 0.3;
        c.beginPath();
        c.moveTo(px - d, py - d);
        c.lineTo(px + d, py + d);
        c.moveTo(px + d, py - d);
        c.lineTo(px - d, py + d);
        c.stroke();
      }
    }
  }
  if (hull.length > 2) twice(c, 2, [6, 4], () => trace(c, show, hull));
  if (nearest) {
    const [ax, ay] = show.toScreen(...nearest),
      load = contact.load_m,
      [bx, by] = show.toScreen(...load);
    twice(c, 2.5, [], () => {
      c.moveTo(ax, ay);
      c.lineTo(bx, by);
    });
    if (Math.hypot(ax - bx, ay - by) > 34 && verdict.rocking_m !== null)
      tag(c, `${Math.round(verdict.rocking_m * 1000)} mm`, (ax + bx) / 2, (ay + by) / 2, show.theme);
  }
  for (const [x, y] of thinned(contact.touching_m)) {
    const [px, py] = show.toScreen(x, y);
    c.fillStyle = LIGHT;
    c.strokeStyle = DARK;
    c.lineWidth = 1.5;
    c.beginPath();
    c.moveTo(px, py - 5);
    c.lineTo(px + 5, py + 4);
    c.lineTo(px - 5, py + 4);
    c.closePath();
    c.fill();
    c.stroke();
  }
}

// A sole that lies flat touches everywhere: contacts are worth showing only where they are few.
const thinned = (spots) => (spots.length > 40 ? [] : spots);

export function drawArea(c, show, rule, marked) {
  const keep = rule.kind === "keep-out";
  const width = (marked ? 4 : 2.5) * show.theme.width;
  c.save();
  c.beginPath();
  trace(c, show, rule.area_m);
  c.save();
  c.clip();
  const xs = rule.area_m.map(([x, y]) => show.toScreen(x, y)[0]),
    ys = rule.area_m.map(([x, y]) => show.toScreen(x, y)[1]);
  const [x0, x1] = [Math.max(0, Math.min(...xs)), Math.min(4000, Math.max(...xs))],
    [y0, y1] = [Math.max(0, Math.min(...ys)), Math.min(4000, Math.max(...ys))];
  if (keep) {
    c.fillStyle = "rgba(40, 20, 70, 0.45)";
    c.fillRect(x0, y0, x1 - x0, y1 - y0);
  } else {
    c.strokeStyle = "rgba(0, 40, 90, 0.8)";
    c.lineWidth = 1.5;
    c.beginPath();
    for (let y = Math.floor(y0 / 14) * 14; y < y1; y += 14)
      for (let x = Math.floor(x0 / 14) * 14; x < x1; x += 14) {
        c.moveTo(x + 4, y + 7);
        c.lineTo(x + 10, y + 7);
        c.moveTo(x + 7, y + 4);
        c.lineTo(x + 7, y + 10);
      }
    c.stroke();
  }
  c.restore();
  twice(c, width, keep ? [] : [10, 5], () => trace(c, show, rule.area_m));
  // At its upper corner, clear of the sole, or at the top of the sheet where that is out of sight.
  const top = ys.indexOf(Math.min(...ys)),
    small = Math.max(...xs) - Math.min(...xs) < 60;
  const inSight =
    Math.max(...xs) > 0 && Math.max(...ys) > 0 && Math.min(...xs) < show.width && Math.min(...ys) < show.height;
  if (inSight)
    tag(
      c,
      small ? `${rule.number}` : `${keep ? "kept out" : "accepted"} ${rule.number}`,
      Math.max(xs[top], 80),
      Math.max(ys[top], 44),
      show.theme,
    );
  c.restore();
}

export function tag(c, words, px, py, theme) {
  c.font = `600 ${12 + theme.width}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.textBaseline = "middle";
  const wide = c.measureText(words).width + 10;
  c.fillStyle = LIGHT;
  c.strokeStyle = DARK;
  c.lineWidth = 1;
  c.fillRect(px - wide / 2, py - 10, wide, 20);
  c.strokeRect(px - wide / 2, py - 10, wide, 20);
  c.fillStyle = DARK;
  c.fillText(words, px, py + 1);
}

export function drawDraft(c, show, corners, tool) {
  twice(c, 2.5, [4, 4], () => trace(c, show, corners, tool !== "section" && tool !== "route"));
  corners.forEach(([x, y], k) => {
    const [px, py] = show.toScreen(x, y);
    c.fillStyle = k ? LIGHT : DARK;
    c.strokeStyle = DARK;
    c.lineWidth = 2;
    c.fillRect(px - 5, py - 5, 10, 10);
    c.strokeRect(px - 5, py - 5, 10, 10);
  });
}

export function drawLine(c, show, line, at) {
  twice(c, 2.5 * show.theme.width, [14, 4, 3, 4], () => trace(c, show, line, false));
  ["A", "B"].forEach((word, k) => tag(c, word, ...show.toScreen(...line[k]), show.theme));
  if (at) {
    const [px, py] = show.toScreen(...at);
    c.fillStyle = LIGHT;
    c.strokeStyle = DARK;
    c.lineWidth = 2;
    c.beginPath();
    c.arc(px, py, 6, 0, 2 * Math.PI);
    c.fill();
    c.stroke();
  }
}
