/* Outlines, runs and pieces, painted on canvas tiles; names on one canvas over the view. */
"use strict";
(() => {
  const { state, on, make, map } = desk;
  const { INK, SKY, GREEN, BLUE, WHITE, OUTSIDE, INSIDE, SHOW_PX, SIGN_PX, paintSign, signRadius, paintPieces, inRing, lineDistance } = siteplanDraw;
  const { features, plan, ISLAND, POINT } = desk.store;

  const scaleAt = (zoom) => 2 ** zoom;
  const usualPx = (zoom) => plan.usual * scaleAt(zoom);
  const zoomFor = (px) => Math.min(map().getMaxZoom(), Math.ceil(Math.log2(px / plan.usual) * 2) / 2);
  const piecesShow = (zoom) => usualPx(zoom) >= SHOW_PX;

  /* how each kind of drawn thing looks: of areas, of lines, of points */
  const LOOKS = {
    beds: { line: "#00684C", width: 1.4, fill: GREEN, alpha: 0.14, dash: [6, 4] },
    abutments: { line: "#4A4A4A", width: 1.4, fill: "#8C8C8C", alpha: 0.5, lineWidth: 4 },
    openings: { line: SKY, width: 2, fill: SKY, alpha: 0.25, dash: [3, 3], lineWidth: 6 },
  };
  const NEAR_PX = 0.7, SMALL_PX = 24;
  const trace = (ctx, flat, closed, view) => {
    const { x, y } = flat;
    const last = x.length - 1;
    let atX = 0, atY = 0;
    for (let i = 0; i <= last; i += 1) {
      const px = x[i] * view.scale - view.left, py = y[i] * view.scale - view.top;
      /* from afar vertices lie closer than the screen shows */
      if (i && i < last && Math.abs(px - atX) < NEAR_PX && Math.abs(py - atY) < NEAR_PX) { continue; }
      if (i) { ctx.lineTo(px, py); } else { ctx.moveTo(px, py); }
      atX = px; atY = py;
    }
    if (closed) { ctx.closePath(); }
  };
  const stroke = (ctx, color, width, dash = []) => {
    ctx.strokeStyle = color;
    ctx.lineWidth = width;
    ctx.setLineDash(dash);
    ctx.stroke();
  };
  const sizeOf = (edge) => Math.max(edge[2] - edge[0], edge[3] - edge[1]);
  const paintFeature = (ctx, feature, view) => {
    const look = LOOKS[feature.role], area = feature.kinds[0] <= ISLAND;
    const fault = desk.saving.refusals.has(feature.key);
    if (feature.kinds[0] === POINT) {
      feature.flat.forEach(({ x, y }) => {
        ctx.beginPath();
        ctx.arc(x[0] * view.scale - view.left, y[0] * view.scale - view.top, 7, 0, 7);
        stroke(ctx, WHITE, 5);
        stroke(ctx, look.line, 2.5);
      });
      return;
    }
    ctx.beginPath();
    feature.flat.forEach((flat, i) => trace(ctx, flat, feature.kinds[i] <= ISLAND, view));
    if (area) {
      ctx.globalAlpha = look.alpha;
      ctx.fillStyle = look.fill;
      ctx.fill("evenodd");
      ctx.globalAlpha = 1;
    }
    const width = area ? look.width : look.lineWidth || look.width;
    /* a white rim, so that it is seen on a dark picture and on a light one; of a small bed its run has one */
    const small = feature.role === "beds" && state.shown.has("runs") && plan.layers.length && sizeOf(feature.edge) * view.scale < SMALL_PX;
    if (!small || fault) { stroke(ctx, "rgba(255,255,255,0.85)", width + 2.4); }
    stroke(ctx, fault ? "#A33C00" : look.line, fault ? 3 : width, fault ? [4, 4] : area && feature.role !== "openings" ? [] : look.dash || []);
    ctx.setLineDash([]);
  };
  const touches = (edge, view, pad) => edge[2] * view.scale - view.left > -pad && edge[0] * view.scale - view.left < view.size + pad
    && edge[3] * view.scale - view.top > -pad && edge[1] * view.scale - view.top < view.size + pad;

  const paintTile = (ctx, view) => {
    ["beds", "abutments", "openings"].filter((role) => state.shown.has(role)).forEach((role) => {
      features.forEach((feature) => {
        if (feature.role === role && feature.key !== desk.lifted && touches(feature.edge, view, 10)) { paintFeature(ctx, feature, view); }
      });
    });
    /* the chosen outline, under runs and pieces: they stay as they are */
    const chosen = state.chosen && state.chosen !== desk.lifted ? features.get(state.chosen) : null;
    if (chosen && chosen.kinds[0] !== POINT && touches(chosen.edge, view, 12)) {
      ctx.beginPath();
      chosen.flat.forEach((flat, i) => trace(ctx, flat, chosen.kinds[i] <= ISLAND, view));
      ctx.lineJoin = "round";
      stroke(ctx, INK, 13);
      stroke(ctx, "#F0E442", 10);
    }
    if (state.shown.has("runs")) {
      const width = piecesShow(view.zoom) ? 1.5 : view.px < 2 ? 2 : 3;
      ctx.lineJoin = view.px < 2 ? "bevel" : "round";
      plan.all("runs").forEach((run) => {
        if (!touches(run.edge, view, 8)) { return; }
        ctx.beginPath();
        trace(ctx, run.at, false, view);
        stroke(ctx, "rgba(255,255,255,0.85)", width + 2.4);
        stroke(ctx, BLUE, width);
      });
    }
    /* under the pieces: where a leg is bare its band is seen, and where pieces lie they are */
    if (state.shown.has("unmet")) {
      const near = piecesShow(view.zoom);
      ctx.lineCap = "butt";
      plan.all("unmet").forEach((leg) => {
        if (!touches(leg.edge, view, 10)) { return; }
        ctx.beginPath();
        trace(ctx, leg.at, false, view);
        stroke(ctx, INK, near ? 6 : 5);
        stroke(ctx, "#FFB380", near ? 4 : 3, near ? [9, 5] : [6, 4]);
        ctx.setLineDash([]);
      });
    }
    if (state.shown.has("pieces") && piecesShow(view.zoom)) {
      plan.layers.forEach((layer) => {
        if (layer.pieces && layer.pieces.n) { paintPieces(ctx, layer.pieces, view, plan.shows(layer), view.size); }
      });
    }
    if (state.shown.has("corners") && view.px >= SHOW_PX / 2) {
      plan.all("corners").forEach((corner) => {
        const x = corner.x * view.scale - view.left, y = corner.y * view.scale - view.top;
        if (x < -14 || y < -14 || x > view.size + 14 || y > view.size + 14) { return; }
        const aside = view.px >= SIGN_PX ? 3 + 2 * signRadius(view.px) : 0;
        paintSign(ctx, corner.turn === "inside" ? INSIDE : OUTSIDE, x, y - aside, 6);
      });
    }
  };

  let tiles = null, names = null;
  const SIZE = 256;
  const paintOn = (canvas, at) => {
    const fine = canvas.width / SIZE, ctx = canvas.getContext("2d");
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, canvas.width, canvas.height);
    ctx.scale(fine, fine);
    paintTile(ctx, { scale: scaleAt(at.z), left: at.x * SIZE, top: at.y * SIZE, px: usualPx(at.z), zoom: at.z, size: SIZE });
  };
  /* Paint again what stands on the screen: all of it, or the tiles that touch one of these boxes. */
  const repaint = (edges) => {
    if (!tiles) { return; }
    Object.values(tiles._tiles).forEach(({ el, coords }) => {
      const scale = scaleAt(coords.z), view = { scale, left: coords.x * SIZE, top: coords.y * SIZE, size: SIZE };
      if (!edges || edges.some((edge) => touches(edge, view, 24))) { paintOn(el, coords); }
    });
    names.draw();
    document.documentElement.dataset.painted = String(performance.now());
  };
  let asked = null;
  const askRepaint = (edges) => {
    if (asked) { asked = asked === "all" || !edges ? "all" : asked.concat(edges); return; }
    asked = edges || "all";
    requestAnimationFrame(() => { const what = asked; asked = null; repaint(what === "all" ? null : what); });
  };

  const Names = L.Layer.extend({
    onAdd() {
      this.canvas = make("canvas", undefined, "leaflet-zoom-hide names");
      this.canvas.setAttribute("aria-hidden", "true");
      map().getPane("names").append(this.canvas);
      map().on("moveend viewreset resize", this.draw, this);
      this.draw();
    },
    draw() {
      const size = map().getSize(), fine = window.devicePixelRatio || 1;
      this.canvas.width = size.x * fine;
      this.canvas.height = size.y * fine;
      this.canvas.style.width = `${size.x}px`;
      this.canvas.style.height = `${size.y}px`;
      L.DomUtil.setPosition(this.canvas, map().containerPointToLayerPoint([0, 0]));
      if (!state.shown.has("names")) { return; }
      const ctx = this.canvas.getContext("2d"), scale = scaleAt(map().getZoom()), corner = map().getPixelBounds().min, taken = [];
      ctx.scale(fine, fine);
      ctx.textAlign = "center";
      ctx.textBaseline = "middle";
      ctx.lineJoin = "round";
      ctx.lineWidth = 4;
      const write = (text, x, y, font, ink) => {
        if (x < 0 || y < 0 || x > size.x || y > size.y) { return; }
        ctx.font = font;
        const half = ctx.measureText(text).width / 2 + 3, box = [x - half, y - 9, x + half, y + 9];
        if (taken.some((b) => b[0] < box[2] && b[2] > box[0] && b[1] < box[3] && b[3] > box[1])) { return; }
        taken.push(box);
        ctx.strokeStyle = "rgba(255,255,255,0.92)";
        ctx.fillStyle = ink;
        ctx.strokeText(text, x, y);
        ctx.fillText(text, x, y);
      };
      /* the lengths the program made, where legs are long enough on the screen for their text */
      if (piecesShow(map().getZoom())) {
        plan.all("legs").forEach((leg) => {
          const px = Math.hypot(leg.edge[2] - leg.edge[0], leg.edge[3] - leg.edge[1]) * scale;
          if (leg.text && px > 64) {
            /* beside its line: above one that lies, to the right of one that stands */
            const stands = leg.edge[3] - leg.edge[1] > 1.5 * (leg.edge[2] - leg.edge[0]);
            write(leg.text, leg.label.x * scale - corner.x + (stands ? 12 + leg.text.length * 3.6 : 0), leg.label.y * scale - corner.y - (stands ? 0 : 16),
              "600 12px system-ui, sans-serif", "#003A5D");
          }
        });
      }
      features.forEach((feature) => {
        if (feature.role !== "beds" || !state.shown.has("beds")) { return; }
        const width = (feature.edge[2] - feature.edge[0]) * scale, letters = Array.from(feature.name || feature.id);
        const text = letters.length > 28 ? `${letters.slice(0, 27).join("")}\u2026` : letters.join("");
        if (width > letters.length * 8) {
          write(text, (feature.edge[0] + feature.edge[2]) / 2 * scale - corner.x, (feature.edge[1] + feature.edge[3]) / 2 * scale - corner.y,
            "600 13px system-ui, sans-serif", "#00402F");
        }
      });
    },
  });

  const build = () => {
    const pane = (name, z) => { map().createPane(name).style.zIndex = z; map().getPane(name).style.pointerEvents = "none"; };
    pane("drawn", 410); pane("names", 440);
    const Tiles = L.GridLayer.extend({
      createTile(at) {
        const canvas = document.createElement("canvas"), fine = Math.min(3, Math.ceil(window.devicePixelRatio || 1));
        canvas.width = SIZE * fine;
        canvas.height = SIZE * fine;
        paintOn(canvas, at);
        return canvas;
      },
    });
    tiles = new Tiles({ pane: "drawn", tileSize: SIZE, minZoom: 0, maxZoom: map().getMaxZoom(), noWrap: true, updateWhenZooming: false, keepBuffer: 1 });
    names = new Names();
    map().addLayer(tiles);
    map().addLayer(names);
    on("features", () => askRepaint(null));
    on("plan", askRepaint);
    on("shown", () => askRepaint(null));
  };

  /* ------------------------------------------------------------------ what lies under a point of the screen */

  const inside = (feature, x, y) => feature.flat.reduce((odd, flat, i) =>
    (feature.kinds[i] <= ISLAND && inRing(x, y, flat, 0, flat.x.length) ? !odd : odd), false);
  const edgeAway = (feature, x, y) => Math.min(...feature.flat.map((flat, i) => {
    const n = flat.x.length, line = lineDistance(x, y, flat, 0, n);
    if (n === 1) { return Math.hypot(x - flat.x[0], y - flat.y[0]); }
    return feature.kinds[i] <= ISLAND ? Math.min(line, lineDistance(x, y, { x: [flat.x[n - 1], flat.x[0]], y: [flat.y[n - 1], flat.y[0]] }, 0, 2)) : line;
  }));
  const flatAt = (point) => {
    const scale = scaleAt(map().getZoom()), corner = map().getPixelBounds().min;
    return { x: (point.x + corner.x) / scale, y: (point.y + corner.y) / scale, scale };
  };
  const close = (edge, x, y, pad) => x >= edge[0] - pad && x <= edge[2] + pad && y >= edge[1] - pad && y <= edge[3] + pad;
  const featureAt = (point, px, role) => {
    const { x, y, scale } = flatAt(point), pad = px / scale;
    let best = null, least = Infinity;
    features.forEach((feature) => {
      if ((role && feature.role !== role) || !state.shown.has(feature.role) || !close(feature.edge, x, y, pad)) { return; }
      const away = edgeAway(feature, x, y);
      if (away > pad && !inside(feature, x, y)) { return; }
      /* its edge before its inside, the smaller before the larger: a bed in a court is found in it */
      const size = (feature.edge[2] - feature.edge[0]) * (feature.edge[3] - feature.edge[1]);
      const rank = away <= pad ? away / pad * 1e-9 : 1 + size;
      if (rank < least) { least = rank; best = feature; }
    });
    return best;
  };
  const legAt = (point, px) => {
    const { x, y, scale } = flatAt(point);
    let best = null, least = px / scale;
    plan.all("legs").forEach((leg) => {
      if (!close(leg.edge, x, y, least)) { return; }
      const away = lineDistance(x, y, leg.at, 0, leg.at.x.length);
      if (away < least) { least = away; best = leg; }
    });
    return best;
  };
  /* the piece under the pointer: its id, and which kind it is */
  const pieceAt = (point) => {
    if (!piecesShow(map().getZoom()) || !state.shown.has("pieces")) { return null; }
    const { x, y } = flatAt(point);
    let found = null;
    plan.layers.forEach((layer) => {
      const { pieces } = layer;
      if (!pieces || !pieces.n) { return; }
      const shows = plan.shows(layer);
      pieces.near(x - pieces.reach, y - pieces.reach, x + pieces.reach, y + pieces.reach, (i) => {
        if (shows(i) && inRing(x, y, pieces.at, pieces.ends[i], pieces.ends[i + 1])) {
          found = { id: pieces.ids[i], kind: siteplanDraw.PIECES[pieces.kind[i]] };
        }
      });
    });
    return found;
  };

  desk.paint = { build, repaint: askRepaint, featureAt, legAt, pieceAt, zoomFor, LOOKS };
})();
