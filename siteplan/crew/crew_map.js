// The map: pieces to scale on one canvas, in ground metres, north up.
//
// While a finger moves, the finished drawing is moved as a whole; it is drawn anew when the finger
// rests or comes to its edge.  Far out a piece is a stroke, near by it is its outline with its sign
// and id, so that the work never grows with the number of pieces in the plan.

const mapBox = document.getElementById("map"), stage = document.getElementById("stage");
const ink = document.getElementById("ink"), picture = document.getElementById("picture"), here = document.getElementById("here");
const MARGIN = 0.3;        // of the view, drawn beyond each edge
const NEAR_PX = 9;         // a usual piece this long is drawn as its outline
const DEEP_PX = 4;         // a piece less deep than this is a thick line
const SIGN_PX = 26, ID_PX = 38;
const BATCH = 64;

const view = { x: 0, y: 0, scale: 1, run: -1, piece: -1, whole: true };
let drawn = { x: 0, y: 0, scale: 1, width: 0, height: 0 };
let place = null;          // where the phone is
let colours = {};

const usualLength = (() => {
  const sections = Array.from(P.um).filter((_, k) => P.kind[k] === SECTION);
  const lengths = (sections.length ? sections : Array.from(P.um)).sort((a, b) => a - b);
  return lengths.length ? lengths[lengths.length >> 1] / 1e6 : 1;
})();

// --- what lies where ------------------------------------------------------------------------------

// box of the vertices from one to another, widening what is given
function boxOf(xy, from, to, box = [Infinity, Infinity, -Infinity, -Infinity]) {
  for (let k = from; k < to; k++) {
    const x = xy[2 * k], y = xy[2 * k + 1];
    if (x < box[0]) box[0] = x;
    if (y < box[1]) box[1] = y;
    if (x > box[2]) box[2] = x;
    if (y > box[3]) box[3] = y;
  }
  return box;
}
const meets = (a, b) => a[2] >= b[0] && a[0] <= b[2] && a[3] >= b[1] && a[1] <= b[3];

const RUN_BOXES = LEGS_OF.map((legs) => legs.reduce((box, leg) => boxOf(LEG_LINES.xy, LEG_LINES.ends[leg], LEG_LINES.ends[leg + 1], box), undefined));
const runBox = (run) => RUN_BOXES[run];

// features with their rings and box: rings [first, last) of the shapes
function featuresOf(shapes) {
  const made = [];
  for (let r = 0; r < shapes.kind.length; r++) {
    const first = r;
    while (r + 1 < shapes.kind.length && shapes.of[r + 1] === shapes.of[first]) r += 1;
    made.push({ feature: shapes.of[first], first, last: r + 1, box: boxOf(shapes.xy, shapes.ends[first], shapes.ends[r + 1]) });
  }
  return made;
}
const BED_FEATURES = featuresOf(BEDS), ABUTMENT_FEATURES = featuresOf(ABUTMENTS), OPENING_FEATURES = featuresOf(OPENINGS);

const extent = (() => {
  let box;
  for (const xy of LEG_LINES.xy.length ? [LEG_LINES.xy, P.xy] : [BEDS.xy]) box = boxOf(xy, 0, xy.length / 2, box);
  return Number.isFinite(box[0]) ? box : [0, 0, 10, 10];
})();

const index = (() => {
  const cell = Math.max(extent[2] - extent[0], extent[3] - extent[1], 1) / 96;
  const columns = Math.floor((extent[2] - extent[0]) / cell) + 1, rows = Math.floor((extent[3] - extent[1]) / cell) + 1;
  const cellOf = (k) => {
    const c = Math.min(columns - 1, Math.max(0, Math.floor((P.at[2 * k] - extent[0]) / cell)));
    return c + columns * Math.min(rows - 1, Math.max(0, Math.floor((P.at[2 * k + 1] - extent[1]) / cell)));
  };
  const first = new Uint32Array(columns * rows + 1), where = new Uint32Array(COUNT);
  for (let k = 0; k < COUNT; k++) first[cellOf(k) + 1] += 1;
  for (let c = 0; c < columns * rows; c++) first[c + 1] += first[c];
  const next = first.slice();
  for (let k = 0; k < COUNT; k++) where[next[cellOf(k)]++] = k;
  return { cell, columns, rows, first, where };
})();

// pieces whose middle may lie in a box, reaching a little beyond it
function piecesIn(west, south, east, north) {
  const reach = usualLength * 2, found = [];
  const clamp = (v, most) => Math.min(most, Math.max(0, Math.floor(v)));
  const c0 = clamp((west - reach - extent[0]) / index.cell, index.columns - 1), c1 = clamp((east + reach - extent[0]) / index.cell, index.columns - 1);
  const r0 = clamp((south - reach - extent[1]) / index.cell, index.rows - 1), r1 = clamp((north + reach - extent[1]) / index.cell, index.rows - 1);
  for (let r = r0; r <= r1; r++) {
    for (let k = index.first[c0 + r * index.columns]; k < index.first[c1 + r * index.columns + 1]; k++) found.push(index.where[k]);
  }
  return found;
}

// --- the view -------------------------------------------------------------------------------------

const size = () => [mapBox.clientWidth || 1, mapBox.clientHeight || 1];
const leastScale = () => { const [w, h] = size(); return 0.4 * Math.min(w / (extent[2] - extent[0] + 1), h / (extent[3] - extent[1] + 1)); };
const MOST_SCALE = 600;

function toScreen(x, y) {
  const [w, h] = size();
  return [(x - view.x) * view.scale + w / 2, (view.y - y) * view.scale + h / 2];
}

function toGround(px, py) {
  const [w, h] = size();
  return [view.x + (px - w / 2) / view.scale, view.y - (py - h / 2) / view.scale];
}

let waiting = 0, resting = 0;
function moved(settled, whole = false) {
  view.whole = whole;
  view.scale = Math.min(MOST_SCALE, Math.max(leastScale(), view.scale));
  view.x = Math.min(extent[2], Math.max(extent[0], view.x));
  view.y = Math.min(extent[3], Math.max(extent[1], view.y));
  if (!waiting) waiting = requestAnimationFrame(() => { waiting = 0; shift(); });
  clearTimeout(resting);
  if (settled) requestDraw(); else resting = setTimeout(requestDraw, 180);
}

// move the finished drawing; draw anew where it no longer reaches
function shift() {
  const [w, h] = size(), k = view.scale / drawn.scale;
  const left = (drawn.x - view.x) * view.scale + w / 2 - (drawn.width * k) / 2;
  const top = (view.y - drawn.y) * view.scale + h / 2 - (drawn.height * k) / 2;
  stage.style.transform = `translate(${left}px, ${top}px) scale(${k})`;
  if (left > 0 || top > 0 || left + drawn.width * k < w || top + drawn.height * k < h || k > 2.2) requestDraw();
  showPlace();
  showScale();
}

let asked = 0;
function requestDraw() {
  if (!asked) asked = requestAnimationFrame(() => { asked = 0; draw(); });
}

function showAll() {
  showBox(extent, true);
}

function showBox([west, south, east, north], whole = false) {
  const [w, h] = size();
  view.x = (west + east) / 2;
  view.y = (south + north) / 2;
  view.scale = Math.min(60, 0.86 * Math.min(w / Math.max(east - west, 0.5), h / Math.max(north - south, 0.5)));
  moved(true, whole);
}


// bring a piece into view, near enough to see it and what lies beside it
function showPiece(k) {
  const [w, h] = size();
  view.x = P.at[2 * k];
  view.y = P.at[2 * k + 1];
  const span = Math.max(usualLength * 5, 1.5);
  view.scale = Math.min(260, Math.min(w, h) / span);
  moved(true);
}

// --- drawing --------------------------------------------------------------------------------------

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["ink", "paper", "soft", "bed", "bed-line", "wall", "wall-line", "todo", "done", "done-fill", "section", "closer", "corner", "end", "cut", "now", "halo"];
  colours = Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

let ctx = null, left = 0, top_ = 0, scale = 1;
const deepPx = () => (PLAN.depth_um / 1e6) * scale;
const X = (x) => (x - left) * scale;
const Y = (y) => (top_ - y) * scale;

function draw() {
  const [w, h] = size();
  const dpr = Math.min(window.devicePixelRatio || 1, 2);
  const width = Math.ceil(w * (1 + 2 * MARGIN)), height = Math.ceil(h * (1 + 2 * MARGIN));
  if (ink.width !== Math.round(width * dpr) || ink.height !== Math.round(height * dpr)) {
    ink.width = Math.round(width * dpr);
    ink.height = Math.round(height * dpr);
    ink.style.width = `${width}px`;
    ink.style.height = `${height}px`;
    ctx = null;
  }
  ctx = ctx || ink.getContext("2d");
  drawn = { x: view.x, y: view.y, scale: view.scale, width, height };
  scale = view.scale;
  left = view.x - width / 2 / scale;
  top_ = view.y + height / 2 / scale;
  ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
  ctx.clearRect(0, 0, width, height);
  ctx.lineJoin = "round";
  ctx.lineCap = "butt";
  placePicture();
  const box = [left, top_ - height / scale, left + width / scale, top_];
  drawGround(box);
  drawLegs();
  const shown = piecesIn(...box);
  if (usualLength * scale < NEAR_PX) drawStrokes(shown); else drawPieces(shown);
  drawCourse();
  drawNames(width, height);
  stage.style.transform = `translate(${(w - width) / 2}px, ${(h - height) / 2}px)`;
  showPlace();
  showScale();
}

function placePicture() {
  if (!PLAN.picture || !picture.src) return;
  const [a, b, c, d, e, f] = PLAN.picture.affine;
  picture.style.transform = `matrix(${a * scale}, ${-d * scale}, ${b * scale}, ${-e * scale}, ${X(c)}, ${Y(f)})`;
}

// vertices closer than half a pixel to the one before are left out
function ring(xy, from, to) {
  let x0 = X(xy[2 * from]), y0 = Y(xy[2 * from + 1]);
  ctx.moveTo(x0, y0);
  for (let k = from + 1; k < to; k++) {
    const x = X(xy[2 * k]), y = Y(xy[2 * k + 1]);
    if (k + 1 < to && Math.abs(x - x0) + Math.abs(y - y0) < 0.5) continue;
    ctx.lineTo(x, y);
    x0 = x;
    y0 = y;
  }
}

// rings of one feature after another: 0 outside, 1 island, 2 line, 3 point
function drawShapes(shapes, features, box, style) {
  for (const one of features) {
    if (!meets(one.box, box)) continue;
    ctx.beginPath();
    for (let k = one.first; k < one.last; k++) {
      ring(shapes.xy, shapes.ends[k], shapes.ends[k + 1]);
      if (shapes.kind[k] < 2) ctx.closePath();
    }
    style(one.feature, shapes.kind[one.first]);
  }
}

function drawGround(box) {
  const clear = PLAN.picture && !picture.hidden;
  drawShapes(BEDS, BED_FEATURES, box, (bed, kind) => {
    if (kind < 2 && !clear) { ctx.fillStyle = colours.bed; ctx.fill("evenodd"); }
    if (clear) { ctx.strokeStyle = colours.paper; ctx.lineWidth = 3.5; ctx.stroke(); }
    ctx.strokeStyle = colours["bed-line"];
    ctx.lineWidth = 1.5;
    ctx.setLineDash(BED_SHOWN[bed] ? [] : [6, 4]);
    ctx.stroke();
  });
  ctx.setLineDash([]);
  drawShapes(ABUTMENTS, ABUTMENT_FEATURES, box, (_, kind) => {
    if (kind < 2 && !clear) { ctx.fillStyle = colours.wall; ctx.fill("evenodd"); }
    if (clear) { ctx.strokeStyle = colours.paper; ctx.lineWidth = 4; ctx.stroke(); }
    ctx.strokeStyle = colours["wall-line"];
    ctx.lineWidth = 2;
    ctx.stroke();
  });
  drawShapes(OPENINGS, OPENING_FEATURES, box, () => {
    ctx.strokeStyle = colours.soft;
    ctx.lineWidth = 2;
    ctx.setLineDash([4, 4]);
    ctx.stroke();
  });
  ctx.setLineDash([]);
}

const unmetLegs = new Set(RUNS.unmet.map((u) => LEGS.ids.indexOf(u.leg)));
function drawLegs() {
  for (let leg = 0; leg < LEGS.ids.length; leg++) {
    const mine = LEGS.run[leg] === view.run;
    if (!unmetLegs.has(leg) && !mine) continue;
    ctx.beginPath();
    ring(LEG_LINES.xy, LEG_LINES.ends[leg], LEG_LINES.ends[leg + 1]);
    if (mine) {
      // the chosen run lies on a pale band
      ctx.strokeStyle = colours.halo;
      ctx.lineWidth = Math.max(14, usualLength * scale * 0.25);
      ctx.lineCap = "round";
      ctx.stroke();
      ctx.lineCap = "butt";
    }
    if (unmetLegs.has(leg)) {
      ctx.strokeStyle = colours.cut;
      ctx.lineWidth = 4;
      ctx.setLineDash([10, 5]);
      ctx.stroke();
      ctx.setLineDash([]);
    }
  }
}

function along(k) {
  const turn = (P.heading[k] / 10) * (Math.PI / 180);
  return [Math.sin(turn), Math.cos(turn)];
}

// laid pieces are a solid line, pieces still to lay a line with its middle left free
const strokeStyles = (done) => (done ? [[7, colours.done]] : [[7, colours.todo], [3.5, colours.paper]]);

function drawStrokes(shown) {
  const far = usualLength * scale < 5, clear = PLAN.picture && !picture.hidden;
  const thin = clear ? [[5.5, colours.paper], [2.5, colours.todo]] : [[2.5, colours.todo]];
  for (const done of [0, 1]) {
    const rows = shown.filter((k) => field.laid[k] === done);
    // so far out a piece still to lay is a thin line, a laid one a thick line
    for (const [width, colour] of far && !done ? thin : strokeStyles(done)) {
      ctx.strokeStyle = colour;
      ctx.lineWidth = width;
      for (let start = 0; start < rows.length; start += BATCH) {
        ctx.beginPath();
        for (const k of rows.slice(start, start + BATCH)) {
          const [dx, dy] = along(k), half = P.um[k] / 2e6, x = P.at[2 * k], y = P.at[2 * k + 1];
          ctx.moveTo(X(x - dx * half), Y(y - dy * half));
          ctx.lineTo(X(x + dx * half), Y(y + dy * half));
        }
        ctx.stroke();
      }
    }
  }
}

function drawPieces(shown) {
  if (deepPx() < DEEP_PX) drawThin(shown); else drawOutlines(shown);
  if (usualLength * scale >= SIGN_PX) drawSigns(shown);
}

// where pieces end: at the start of the next one of the run, walking
const PIECE_ENDS = (() => {
  const ends = new Float64Array(2 * COUNT), step = BACKWARDS ? -1 : 1;
  for (let k = 0; k < COUNT; k++) {
    const run = runOf(k), first = RUN_FIRST[run], last = RUN_FIRST[run + 1] - 1;
    let next = k + step;
    if (next < first || next > last) next = RUNS.closed[run] && last > first ? (BACKWARDS ? last : first) : -1;
    const [dx, dy] = along(k), half = P.um[k] / 2e6;
    ends[2 * k] = next < 0 ? P.at[2 * k] + dx * half : P.start[2 * next];
    ends[2 * k + 1] = next < 0 ? P.at[2 * k + 1] + dy * half : P.start[2 * next + 1];
  }
  return ends;
})();

// outlines so narrow that their two long sides meet: a thick line along the middle, and the joints
function drawThin(shown) {
  for (const done of [0, 1]) {
    const rows = shown.filter((k) => field.laid[k] === done);
    for (const [width, colour] of strokeStyles(done)) {
      ctx.strokeStyle = colour;
      ctx.lineWidth = width;
      for (let start = 0; start < rows.length; start += BATCH) {
        ctx.beginPath();
        for (const k of rows.slice(start, start + BATCH)) {
          ctx.moveTo(X(P.start[2 * k]), Y(P.start[2 * k + 1]));
          ctx.lineTo(X(P.at[2 * k]), Y(P.at[2 * k + 1]));
          ctx.lineTo(X(PIECE_ENDS[2 * k]), Y(PIECE_ENDS[2 * k + 1]));
        }
        ctx.stroke();
      }
    }
  }
  // joints across the line
  ctx.strokeStyle = colours.ink;
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  for (const k of shown) {
    const turn = (P.startHeading[k] / 10) * (Math.PI / 180), across = [Math.cos(turn) * 6, Math.sin(turn) * 6];
    const x = X(P.start[2 * k]), y = Y(P.start[2 * k + 1]);
    ctx.moveTo(x - across[0], y - across[1]);
    ctx.lineTo(x + across[0], y + across[1]);
  }
  ctx.stroke();
}

function drawOutlines(shown) {
  const fills = [colours.section, colours.closer, colours.paper, colours.corner, colours.paper];
  for (let kind = 0; kind < 5; kind++) {
    for (const done of [0, 1]) {
      const rows = shown.filter((k) => P.kind[k] === kind && field.laid[k] === done);
      ctx.fillStyle = done ? colours["done-fill"] : fills[kind];
      ctx.strokeStyle = colours.ink;
      ctx.lineWidth = done ? 1 : 1.5;
      for (let start = 0; start < rows.length; start += BATCH) {
        ctx.beginPath();
        for (const k of rows.slice(start, start + BATCH)) {
          ring(P.xy, P.ends[k], P.ends[k + 1]);
          ctx.closePath();
        }
        ctx.fill();
        ctx.stroke();
      }
    }
  }
}

const signRadius = () => Math.min(11, (usualLength * scale) / 5);
function drawSigns(rows) {
  for (const k of rows) drawSign(ctx, P.kind[k], field.laid[k], X(P.at[2 * k]), Y(P.at[2 * k + 1]), signRadius(), colours);
}

// the signs of the plan sheets: disc, diamond, cross, square, ring; a tick in place of it where laid
function drawSign(c, kind, laid, x, y, r, tint) {
  c.lineWidth = Math.max(1.5, r / 4);
  c.strokeStyle = tint.ink;
  c.beginPath();
  if (laid) {
    c.moveTo(x - r * 0.8, y); c.lineTo(x - r * 0.2, y + r * 0.7); c.lineTo(x + r * 0.9, y - r * 0.8);
    for (const [width, colour] of [[r / 2.2 + 4, tint.paper], [Math.max(2.5, r / 2.2), tint.done]]) {
      c.lineWidth = width;
      c.strokeStyle = colour;
      c.stroke();
    }
    return;
  }
  if (kind === SECTION) {
    c.arc(x, y, r * 0.55, 0, 7); c.fillStyle = tint.ink; c.fill();
  } else if (kind === CLOSER) {
    c.moveTo(x, y - r); c.lineTo(x + r, y); c.lineTo(x, y + r); c.lineTo(x - r, y); c.closePath();
    c.fillStyle = tint.paper; c.fill(); c.stroke();
  } else if (kind === CUT) {
    c.lineWidth = Math.max(2.5, r / 2.5);
    c.moveTo(x - r * 0.8, y - r * 0.8); c.lineTo(x + r * 0.8, y + r * 0.8);
    c.moveTo(x + r * 0.8, y - r * 0.8); c.lineTo(x - r * 0.8, y + r * 0.8);
    c.strokeStyle = tint.cut; c.stroke();
  } else if (kind === CORNER) {
    c.rect(x - r * 0.75, y - r * 0.75, r * 1.5, r * 1.5); c.fillStyle = tint.ink; c.fill();
  } else {
    c.arc(x, y, r * 0.75, 0, 7); c.fillStyle = tint.paper; c.fill(); c.lineWidth = Math.max(2, r / 2.6); c.stroke();
  }
}

// the chosen run: arrows the way it is laid, letters of its points, and the piece that is called out
function drawCourse() {
  if (view.run < 0) return;
  const first = RUN_FIRST[view.run], last = RUN_FIRST[view.run + 1];
  ctx.fillStyle = colours.ink;
  ctx.strokeStyle = colours.paper;
  let gone = 70;
  for (let k = first; k < last; k++) {
    gone += (P.um[k] / 1e6) * scale;
    if (gone < 110) continue;
    gone = 0;
    arrow(k);
  }
  if (view.piece >= 0) {
    for (const [width, colour] of [[9, colours.paper], [5, colours.now]]) {
      ctx.beginPath();
      ring(P.xy, P.ends[view.piece], P.ends[view.piece + 1]);
      ctx.closePath();
      ctx.strokeStyle = colour;
      ctx.lineWidth = width;
      ctx.stroke();
    }
    ctx.fillStyle = colours.now;
    ctx.strokeStyle = colours.paper;
    arrow(view.piece, 1.5);
    if (usualLength * scale >= SIGN_PX) drawSigns([view.piece]);
  }
}

function arrow(k, size_ = 1) {
  const [east, north] = along(k), turn = BACKWARDS ? -1 : 1;
  const dx = east * turn, dy = -north * turn, x = X(P.at[2 * k]), y = Y(P.at[2 * k + 1]);
  const side = 16 + deepPx() / 2, r = 8 * size_;
  // beside the line, on the side away from the bed
  const px = x + north * side, py = y + east * side;
  ctx.beginPath();
  ctx.moveTo(px + dx * r * 1.3, py + dy * r * 1.3);
  ctx.lineTo(px - dx * r - dy * r * 0.9, py - dy * r + dx * r * 0.9);
  ctx.lineTo(px - dx * r * 0.4, py - dy * r * 0.4);
  ctx.lineTo(px - dx * r + dy * r * 0.9, py - dy * r - dx * r * 0.9);
  ctx.closePath();
  ctx.lineWidth = 3;
  ctx.stroke();
  ctx.fill();
}

const shortText = (text, most = 22) => (text.length > most ? `${[...text].slice(0, most - 1).join("")}…` : text);

const widths = new Map();
function halfWidth(text, font) {
  const key = `${font} ${text}`;
  let half = widths.get(key);
  if (half === undefined) {
    ctx.font = font;
    half = ctx.measureText(text).width / 2 + 3;
    widths.set(key, half);
  }
  return half;
}

// names that do not lie over one another: points of the chosen run, beds, runs, pieces
function drawNames(width, height) {
  const taken = [];
  const put = (text, x, y, font, dy = 0, box = false) => {
    if (x < -50 || y < -50 || x > width + 50 || y > height + 50) return;
    const half = halfWidth(text, font), tall = 10;
    if (taken.some(([a, b, c]) => Math.abs(a - x) < half + c && Math.abs(b - (y + dy)) < 2 * tall)) return;
    taken.push([x, y + dy, half]);
    ctx.font = font;
    if (box) {
      ctx.fillStyle = colours.ink;
      ctx.fillRect(x - half, y + dy - tall, 2 * half, 2 * tall);
      ctx.fillStyle = colours.paper;
      ctx.fillText(text, x, y + dy);
      return;
    }
    ctx.strokeStyle = colours.paper;
    ctx.lineWidth = 4;
    ctx.strokeText(text, x, y + dy);
    ctx.fillStyle = colours.ink;
    ctx.fillText(text, x, y + dy);
  };
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  const font = (px, weight = 600) => `${weight} ${px}px system-ui, sans-serif`;
  (POINTS_OF[view.run] || []).forEach((k) => {
    put(PLAN.points.letter[k], X(POINT_XY[2 * k]), Y(POINT_XY[2 * k + 1]), font(16, 700), -26, true);
  });
  if (usualLength * scale >= ID_PX) {
    const shown = piecesIn(left, top_ - height / scale, left + width / scale, top_);
    for (const k of shown) {
      const [east, north] = along(k), side = Math.max(20, deepPx() / 2 + 12);
      // ids stand on the bed's side of the line
      put(shortText(PLAN.pieces.ids[k].trim(), 12), X(P.at[2 * k]) - north * side, Y(P.at[2 * k + 1]) - east * side, font(14));
    }
  }
  const seen = [left, top_ - height / scale, left + width / scale, top_];
  RUNS.ids.forEach((id, r) => {
    const box = runBox(r);
    if (!meets(box, seen)) return;
    const wide = (box[2] - box[0]) * scale, high = (box[3] - box[1]) * scale;
    if (Math.max(wide, high) < 26) return;
    put(shortText(id), X((box[0] + box[2]) / 2), Y((box[1] + box[3]) / 2), font(14, r === view.run ? 800 : 600));
  });
}

function showScale() {
  const unit = PLAN.units === "m" ? 1 : 0.3048, most = 130;
  let length = 0.1;
  for (let e = -1; e < 5; e++) for (const m of [1, 2, 5]) if (m * 10 ** e * unit * view.scale <= most) length = m * 10 ** e;
  document.getElementById("bar").style.width = `${length * unit * view.scale}px`;
  document.getElementById("bar-text").textContent = `${Number(length.toPrecision(1))} ${PLAN.units}`;
}

// --- where the phone is ----------------------------------------------------------------------------

function setPlace(lon, lat, within) {
  const [a, b, c, d, e, f] = PLAN.where.affine, [lon0, lat0] = PLAN.where.centre;
  const x = a * (lon - lon0) + b * (lat - lat0) + c - PLAN.where.origin[0];
  const y = d * (lon - lon0) + e * (lat - lat0) + f - PLAN.where.origin[1];
  place = { x, y, within };
  const beyond = Math.max(extent[0] - x, x - extent[2], extent[1] - y, y - extent[3], 0);
  if (beyond === 0) {
    view.x = x;
    view.y = y;
    view.scale = Math.max(view.scale, Math.min(20, size()[0] / (within * 4)));
  }
  moved(true);
  return beyond;
}

function showPlace() {
  here.hidden = !place;
  if (!place) return;
  const [px, py] = toScreen(place.x, place.y), r = Math.min(150, Math.max(14, place.within * view.scale));
  const side = Math.ceil(2 * r + 8);
  if (here.width !== side) {
    here.width = here.height = side;
    const c = here.getContext("2d");
    c.lineWidth = 3;
    c.strokeStyle = colours.now;
    c.setLineDash([6, 4]);
    c.beginPath(); c.arc(side / 2, side / 2, r, 0, 7); c.stroke();
    c.setLineDash([]);
    c.beginPath(); c.arc(side / 2, side / 2, 7, 0, 7); c.fillStyle = colours.now; c.fill();
  }
  here.style.transform = `translate(${px - side / 2}px, ${py - side / 2}px)`;
}

// --- fingers, mouse, keys ---------------------------------------------------------------------------

function zoomAt(px, py, factor) {
  const [x, y] = toGround(px, py);
  const [w, h] = size();
  view.scale = Math.min(MOST_SCALE, Math.max(leastScale(), view.scale * factor));
  view.x = x - (px - w / 2) / view.scale;
  view.y = y + (py - h / 2) / view.scale;
  moved(false);
}

function pieceAt(px, py) {
  const [x, y] = toGround(px, py), reach = 26 / view.scale;
  let best = -1, nearest = Infinity;
  for (const k of piecesIn(x - reach, y - reach, x + reach, y + reach)) {
    const [dx, dy] = along(k), half = P.um[k] / 2e6;
    const t = Math.max(-half, Math.min(half, (x - P.at[2 * k]) * dx + (y - P.at[2 * k + 1]) * dy));
    const away = Math.hypot(x - P.at[2 * k] - dx * t, y - P.at[2 * k + 1] - dy * t);
    if (away < nearest) { nearest = away; best = k; }
  }
  return nearest <= reach ? best : -1;
}

function listenToMap(onPiece) {
  const fingers = new Map();
  let travelled = 0, begun = null;
  const at = (event) => { const box = mapBox.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
  mapBox.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" && event.button !== 0) return;
    mapBox.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, at(event));
    if (fingers.size === 1) { travelled = 0; begun = at(event); }
  });
  mapBox.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = at(event);
    if (fingers.size === 1) {
      view.x -= (now[0] - before[0]) / view.scale;
      view.y += (now[1] - before[1]) / view.scale;
      travelled = Math.max(travelled, Math.hypot(now[0] - begun[0], now[1] - begun[1]));
      moved(false);
    } else if (fingers.size === 2) {
      const other = [...fingers.entries()].find(([id]) => id !== event.pointerId)[1];
      const gap = (a) => Math.max(10, Math.hypot(a[0] - other[0], a[1] - other[1]));
      view.x -= (now[0] - before[0]) / 2 / view.scale;
      view.y += (now[1] - before[1]) / 2 / view.scale;
      zoomAt((now[0] + other[0]) / 2, (now[1] + other[1]) / 2, gap(now) / gap(before));
      travelled = 99;
    }
    fingers.set(event.pointerId, now);
  });
  const lifted = (event) => {
    if (!fingers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && fingers.size === 0 && travelled < 8) {
      const k = pieceAt(...at(event));
      if (k >= 0) onPiece(k);
    }
  };
  mapBox.addEventListener("pointerup", lifted);
  mapBox.addEventListener("pointercancel", lifted);
  mapBox.addEventListener("wheel", (event) => { event.preventDefault(); zoomAt(...at(event), 1.0016 ** -event.deltaY); }, { passive: false });
  mapBox.addEventListener("keydown", (event) => {
    const [w, h] = size(), step = 80 / view.scale;
    const keys = {
      ArrowLeft: () => { view.x -= step; }, ArrowRight: () => { view.x += step; },
      ArrowUp: () => { view.y += step; }, ArrowDown: () => { view.y -= step; },
      "+": () => zoomAt(w / 2, h / 2, 1.5), "=": () => zoomAt(w / 2, h / 2, 1.5), "-": () => zoomAt(w / 2, h / 2, 1 / 1.5),
    };
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
    moved(true);
  });
  // a view of everything stays one when the phone is turned, or the map is shown for the first time
  new ResizeObserver(() => { if (view.whole) showAll(); else moved(true); }).observe(mapBox);
}
