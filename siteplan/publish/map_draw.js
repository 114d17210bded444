/* Drawing that the crew's map and the desk share: colours, signs, packed pieces, what lies where.
 *
 * Nothing here measures: positions are pixels of the web map at zoom 0, for the view alone.
 *
 * Colours: Okabe & Ito, "Color Universal Design" (2008), the palette for all kinds of colour
 * vision also given by Wong, Nature Methods 8:441 (2011), doi:10.1038/nmeth.1618.  No meaning
 * rests on colour alone: each kind has its own sign, drawn from the same path on the map, in the
 * legend and in the boxes.
 */
"use strict";
const siteplanDraw = (() => {
  const INK = "#000000", ORANGE = "#E69F00", SKY = "#56B4E9", GREEN = "#009E73",
    BLUE = "#0072B2", VERMILION = "#D55E00", PURPLE = "#CC79A7", WHITE = "#FFFFFF";
  const CIRCLE = "M1 0A1 1 0 1 1-1 0A1 1 0 1 1 1 0Z";

  /* Signs are paths in a square from -1 to 1. */
  const PIECES = [
    { key: "section", one: "Section", many: "Sections", fill: SKY,
      sign: { d: CIRCLE, fill: BLUE, line: WHITE, width: 0.3 } },
    { key: "closer", one: "Closer", many: "Closers", fill: ORANGE,
      sign: { d: "M0-1.3L1.3 0L0 1.3L-1.3 0Z", fill: ORANGE, line: INK, width: 0.3 } },
    { key: "cut", one: "Cut piece", many: "Cut pieces", fill: VERMILION,
      sign: { d: "M-.9-.9L.9 .9M.9-.9L-.9 .9", line: VERMILION, width: 0.6, halo: WHITE } },
    { key: "corner", one: "Corner unit", many: "Corner units", fill: GREEN,
      sign: { d: "M-.95-.95H.95V.95H-.95Z", fill: GREEN, line: INK, width: 0.3 } },
    { key: "end", one: "End unit", many: "End units", fill: PURPLE,
      sign: { d: "M.8 0A.8 .8 0 1 1-.8 0A.8 .8 0 1 1 .8 0Z", fill: WHITE, line: "#8F3E6C", width: 0.6 } },
  ];
  const OUTSIDE = { d: "M0-1.1L1.1 .8H-1.1Z", fill: INK, line: WHITE, width: 0.25 };
  const INSIDE = { d: "M0 1.1L1.1-.8H-1.1Z", fill: WHITE, line: INK, width: 0.4 };
  const BED = { d: "M-1.3-.7Q0-1.3 1.3-.6V.8Q0 1.3-1.3 .7Z", fill: "#CDEBE1", line: "#00684C", width: 0.2 };
  const ABUTMENT = { d: "M-1.2-1H1.2V1H-1.2Z", fill: "#BDBDBD", line: "#4A4A4A", width: 0.25 };
  const OPENING = { d: "M-1.4 0H1.4", line: SKY, width: 0.9, dash: "0.45 0.3" };
  const RUN = { d: "M-1.4 .5C-.6-1 .6 1 1.4-.5", line: BLUE, width: 0.4 };
  const UNMET = { d: "M-1.4 0H1.4", line: VERMILION, width: 0.7, dash: "0.8 0.4", halo: INK };

  const PICTURE = { d: "M-1.3-1H1.3V1H-1.3ZM-1.3 .6L-.3-.3L.3 .3L.7 0L1.3 .6", fill: "#E7E0D2", line: "#4A4A4A", width: 0.2 };

  /* Signs of a tape beside the map, by shape: longer points up, shorter down, agreeing is round. */
  const TAPES = [
    { word: "Tape shorter than the map", color: "#A33C00", dash: "8 5", weight: 5,
      sign: { d: "M0 1.2L1.2-.9H-1.2Z", fill: VERMILION, line: INK, width: 0.3 } },
    { word: "Tape and map agree", color: "#4A4A4A", dash: "1 6", weight: 4,
      sign: { d: CIRCLE, fill: WHITE, line: "#4A4A4A", width: 0.45 } },
    { word: "Tape longer than the map", color: BLUE, dash: null, weight: 5,
      sign: { d: "M0-1.2L1.2 .9H-1.2Z", fill: BLUE, line: INK, width: 0.3 } },
  ];

  const FINDING = { d: "M0-1.2V.3M0 1.05V1.15", line: "#A33C00", width: 0.55 };

  const $ = (id) => document.getElementById(id);
  const make = (tag, text, className) => {
    const node = document.createElement(tag);
    if (text !== undefined) { node.textContent = text; }
    if (className) { node.className = className; }
    return node;
  };
  const userText = (tag, text, className) => {
    const node = make(tag, text, className);
    node.dir = "auto";
    node.translate = false;
    return node;
  };

  /* ------------------------------------------------------------------ packed numbers */

  const bytes = (base64) => {
    const binary = atob(base64);
    const out = new Uint8Array(binary.length);
    for (let i = 0; i < binary.length; i += 1) { out[i] = binary.charCodeAt(i); }
    return out;
  };
  const ints = (base64) => new Int32Array(bytes(base64).buffer);
  const counts = (base64) => new Uint32Array(bytes(base64).buffer);

  /* Pixels of the web map at zoom 0 (EPSG:3857, 256 px a world); the view alone uses them. */
  const mapX = (lon) => (lon + 180) / 360 * 256;
  const mapY = (lat) => 128 - 128 / Math.PI * Math.log(Math.tan(Math.PI / 4 + lat * Math.PI / 360));

  const extent = (xs, ys, from, to) => {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = from; i < to; i += 1) {
      if (xs[i] < box[0]) { box[0] = xs[i]; }
      if (ys[i] < box[1]) { box[1] = ys[i]; }
      if (xs[i] > box[2]) { box[2] = xs[i]; }
      if (ys[i] > box[3]) { box[3] = ys[i]; }
    }
    return box;
  };

  /* Points sorted into square cells, so that a tile or a pointer looks at its neighbours only. */
  const cellIndex = (xs, ys) => {
    const n = xs.length, box = extent(xs, ys, 0, n);
    const across = Math.max(1, Math.min(256, Math.ceil(Math.sqrt(n / 6))));
    const step = Math.max(box[2] - box[0], box[3] - box[1], 1e-12) / across;
    const column = (x) => Math.max(0, Math.min(across - 1, Math.floor((x - box[0]) / step)));
    const row = (y) => Math.max(0, Math.min(across - 1, Math.floor((y - box[1]) / step)));
    const start = new Uint32Array(across * across + 1), members = new Uint32Array(n);
    for (let i = 0; i < n; i += 1) { start[row(ys[i]) * across + column(xs[i]) + 1] += 1; }
    for (let c = 0; c < across * across; c += 1) { start[c + 1] += start[c]; }
    const next = start.slice();
    for (let i = 0; i < n; i += 1) { members[next[row(ys[i]) * across + column(xs[i])]++] = i; }
    return (west, north, east, south, visit) => {
      if (!n || east < box[0] || west > box[2] || south < box[1] || north > box[3]) { return; }
      const last = column(east), lowest = row(south);
      for (let r = row(north); r <= lowest; r += 1) {
        for (let c = column(west); c <= last; c += 1) {
          const cell = r * across + c;
          for (let k = start[cell]; k < start[cell + 1]; k += 1) {
            const i = members[k];
            if (xs[i] >= west && xs[i] <= east && ys[i] >= north && ys[i] <= south) { visit(i); }
          }
        }
      }
    };
  };

  /* ------------------------------------------------------------------ signs */

  const SVG = "http://www.w3.org/2000/svg";
  const svg = (tag, attributes) => {
    const node = document.createElementNS(SVG, tag);
    Object.entries(attributes).forEach(([name, value]) => node.setAttribute(name, value));
    return node;
  };
  const drawSign = (into, sign, behind) => {
    into.replaceChildren();
    into.setAttribute("viewBox", "-1.8 -1.8 3.6 3.6");
    if (behind) {
      into.append(svg("path", { d: "M-1.7-1.2H1.7V1.2H-1.7Z", fill: behind, "fill-opacity": 0.55, stroke: INK,
        "stroke-width": 0.12 }));
    }
    const line = { d: sign.d, fill: "none", "stroke-linejoin": "round" };
    if (sign.halo) { into.append(svg("path", { ...line, stroke: sign.halo, "stroke-width": sign.width + 0.35 })); }
    into.append(svg("path", { ...line, fill: sign.fill || "none", stroke: sign.line, "stroke-width": sign.width,
      "stroke-dasharray": sign.dash || "none" }));
  };
  const signNode = (sign, behind) => {
    const node = svg("svg", { class: "sign", "aria-hidden": "true", focusable: "false" });
    drawSign(node, sign, behind);
    return node;
  };
  const paths = new Map();
  const paintSign = (ctx, sign, x, y, radius) => {
    if (!paths.has(sign)) { paths.set(sign, new Path2D(sign.d)); }
    const path = paths.get(sign);
    ctx.save();
    ctx.translate(x, y);
    ctx.scale(radius, radius);
    ctx.lineJoin = "round";
    if (sign.halo) { ctx.strokeStyle = sign.halo; ctx.lineWidth = sign.width + 0.5; ctx.stroke(path); }
    if (sign.fill) { ctx.fillStyle = sign.fill; ctx.fill(path); }
    ctx.strokeStyle = sign.line;
    ctx.lineWidth = sign.width;
    ctx.stroke(path);
    ctx.restore();
  };

  /* ------------------------------------------------------------------ footprints */

  const SHOW_PX = 6;      /* a usual piece is at least this long on the screen: footprints are drawn */
  const SIGN_PX = 18;     /* every piece has its sign */
  const BATCH = 64;       /* outlines in one path: longer paths are slow to fill */

  const ringPath = (ctx, pieces, i, { scale, left, top }) => {
    const { x, y } = pieces.at, first = pieces.ends[i], last = pieces.ends[i + 1];
    ctx.moveTo(x[first] * scale - left, y[first] * scale - top);
    for (let k = first + 1; k < last; k += 1) { ctx.lineTo(x[k] * scale - left, y[k] * scale - top); }
    ctx.closePath();
  };
  const paintFootprints = (ctx, pieces, found, style, view) => {
    ctx.fillStyle = style.fill;
    ctx.strokeStyle = "#222222";
    ctx.lineWidth = view.px > 40 ? 1.2 : 0.8;
    for (let from = 0; from < found.length; from += BATCH) {
      ctx.beginPath();
      found.slice(from, from + BATCH).forEach((i) => ringPath(ctx, pieces, i, view));
      ctx.globalAlpha = 0.75;
      ctx.fill();
      ctx.globalAlpha = 1;
      if (view.px >= 12) { ctx.stroke(); }
    }
  };
  const signRadius = (px) => Math.max(3.2, Math.min(7, px / 9));
  /* the pieces of one tile, `size` pixels wide, whose kind `wanted` lets through */
  const paintPieces = (ctx, pieces, view, wanted, size = 256) => {
    const byKind = PIECES.map(() => []);
    const margin = pieces.reach + 10 / view.scale;
    pieces.near(view.left / view.scale - margin, view.top / view.scale - margin,
      (view.left + size) / view.scale + margin, (view.top + size) / view.scale + margin,
      (i) => { if (wanted(i)) { byKind[pieces.kind[i]].push(i); } });
    byKind.forEach((found, kind) => paintFootprints(ctx, pieces, found, PIECES[kind], view));
    byKind.forEach((found, kind) => {
      if (PIECES[kind].key === "section" && view.px < SIGN_PX) { return; }
      found.forEach((i) => paintSign(ctx, PIECES[kind].sign, pieces.middle.x[i] * view.scale - view.left,
        pieces.middle.y[i] * view.scale - view.top, signRadius(view.px)));
    });
  };

  /* ------------------------------------------------------------------ what lies where */

  const inRing = (x, y, at, from, to) => {
    let inside = false;
    for (let i = from, j = to - 1; i < to; j = i, i += 1) {
      if ((at.y[i] > y) !== (at.y[j] > y)
        && x < (at.x[j] - at.x[i]) * (y - at.y[i]) / (at.y[j] - at.y[i]) + at.x[i]) { inside = !inside; }
    }
    return inside;
  };
  const lineDistance = (x, y, at, from, to) => {
    let best = Infinity;
    for (let i = from; i + 1 < to; i += 1) {
      const dx = at.x[i + 1] - at.x[i], dy = at.y[i + 1] - at.y[i], square = dx * dx + dy * dy;
      const t = square ? Math.max(0, Math.min(1, ((x - at.x[i]) * dx + (y - at.y[i]) * dy) / square)) : 0;
      best = Math.min(best, Math.hypot(x - at.x[i] - t * dx, y - at.y[i] - t * dy));
    }
    return best;
  };
  return {
    INK, ORANGE, SKY, GREEN, BLUE, VERMILION, PURPLE, WHITE,
    PIECES, OUTSIDE, INSIDE, BED, ABUTMENT, OPENING, RUN, UNMET, PICTURE, TAPES, FINDING,
    SHOW_PX, SIGN_PX, $, make, userText, bytes, ints, counts, mapX, mapY, extent, cellIndex,
    svg, drawSign, signNode, paintSign, signRadius, paintPieces, inRing, lineDistance,
  };
})();
