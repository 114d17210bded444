/* The canvas over the map on which the hand works: what is being drawn, handles, marks. */
"use strict";
(() => {
  const { make, map, toScreen, state } = desk;
  const { INK, WHITE } = siteplanDraw;
  const YELLOW = "#F0E442";
  const painters = [];
  let canvas = null, asked = false, zooming = false;

  const line = (ctx, points, closed) => {
    points.forEach((lonlat, i) => {
      const at = toScreen(lonlat);
      if (i) { ctx.lineTo(at.x, at.y); } else { ctx.moveTo(at.x, at.y); }
    });
    if (closed) { ctx.closePath(); }
  };
  /* dark line in a light one: seen on any picture */
  const rimmed = (ctx, color, width, dash = [], rim = WHITE) => {
    ctx.lineJoin = "round";
    ctx.setLineDash([]);
    ctx.strokeStyle = rim; ctx.lineWidth = width + 3; ctx.stroke();
    ctx.setLineDash(dash);
    ctx.strokeStyle = color; ctx.lineWidth = width; ctx.stroke();
    ctx.setLineDash([]);
  };
  const SHAPES = {
    square: (ctx, r) => ctx.rect(-r, -r, 2 * r, 2 * r),
    round: (ctx, r) => ctx.arc(0, 0, r, 0, 7),
    diamond: (ctx, r) => { ctx.moveTo(0, -r); ctx.lineTo(r, 0); ctx.lineTo(0, r); ctx.lineTo(-r, 0); ctx.closePath(); },
    cross: (ctx, r) => { ctx.moveTo(-r, -r); ctx.lineTo(r, r); ctx.moveTo(r, -r); ctx.lineTo(-r, r); },
  };
  const dot = (ctx, at, shape, radius, fill, edge = INK) => {
    ctx.save();
    ctx.translate(at.x, at.y);
    ctx.beginPath();
    SHAPES[shape](ctx, radius);
    ctx.strokeStyle = WHITE; ctx.lineWidth = 4.5; ctx.stroke();
    if (fill) { ctx.fillStyle = fill; ctx.fill(); }
    ctx.strokeStyle = edge; ctx.lineWidth = 1.8; ctx.stroke();
    ctx.restore();
  };
  const text = (ctx, words, x, y) => {
    if (!words) { return; }
    ctx.font = "600 14px system-ui, sans-serif";
    ctx.textAlign = "center"; ctx.textBaseline = "middle"; ctx.lineJoin = "round";
    ctx.strokeStyle = "rgba(255,255,255,0.95)"; ctx.lineWidth = 5;
    ctx.strokeText(words, x, y);
    ctx.fillStyle = INK;
    ctx.fillText(words, x, y);
  };

  const paint = () => {
    asked = false;
    const size = map().getSize(), fine = window.devicePixelRatio || 1;
    if (canvas.width !== Math.round(size.x * fine) || canvas.height !== Math.round(size.y * fine)) {
      canvas.width = Math.round(size.x * fine);
      canvas.height = Math.round(size.y * fine);
    }
    const ctx = canvas.getContext("2d");
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, canvas.width, canvas.height);
    if (zooming) { return; }
    ctx.scale(fine, fine);
    painters.forEach((painter) => painter(ctx, size));
  };
  const ask = () => { if (!asked && canvas) { asked = true; requestAnimationFrame(paint); } };

  /* ------------------------------------------------------------------ a place marked for a while */

  let marks = [];      /* {line} or {at} */
  const mark = (list) => { marks = list; ask(); };
  painters.push((ctx) => marks.forEach(({ line: points, at }) => {
    if (at) { ctx.beginPath(); const p = toScreen(at); ctx.arc(p.x, p.y, 16, 0, 7); rimmed(ctx, YELLOW, 5, [], INK); }
    else { ctx.beginPath(); line(ctx, points, false); rimmed(ctx, YELLOW, 5, [], INK); }
  }));

  /* ------------------------------------------------------------------ a pen moved by keys */

  const keys = { at: null };      /* where the keyboard's pen is, in pixels of the map; null: not used */
  painters.push((ctx) => {
    if (!keys.at) { return; }
    const { x, y } = keys.at;
    ctx.beginPath();
    ctx.moveTo(x - 14, y); ctx.lineTo(x - 4, y); ctx.moveTo(x + 4, y); ctx.lineTo(x + 14, y);
    ctx.moveTo(x, y - 14); ctx.lineTo(x, y - 4); ctx.moveTo(x, y + 4); ctx.lineTo(x, y + 14);
    rimmed(ctx, INK, 2);
  });
  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  /* one arrow key: 10 pixels, with Shift 1, with Control 50; near the rim the map comes along */
  const nudge = (event, from) => {
    const step = event.shiftKey ? 1 : event.ctrlKey ? 50 : 10, [dx, dy] = ARROWS[event.key];
    const size = map().getSize(), at = L.point(from.x + dx * step, from.y + dy * step);
    const move = L.point(at.x < 40 || at.x > size.x - 40 ? dx * size.x / 4 : 0, at.y < 40 || at.y > size.y - 40 ? dy * size.y / 4 : 0);
    if (move.x || move.y) { map().panBy(move, { animate: false }); }
    return at.subtract(move);
  };

  const build = () => {
    canvas = make("canvas", undefined, "pen");
    canvas.setAttribute("aria-hidden", "true");
    map().getContainer().append(canvas);
    map().on("move zoomend viewreset resize", ask);
    map().on("zoomstart", () => { zooming = true; paint(); });
    map().on("zoomend", () => { zooming = false; ask(); });
    desk.on("chosen", ask);
    desk.on("features", ask);
    desk.on("mode", ask);
  };

  desk.pen = { build, ask, painters, line, rimmed, dot, text, mark, keys, nudge, ARROWS, YELLOW, editing: () => state.mode === "draw" && !state.readOnly };
})();
