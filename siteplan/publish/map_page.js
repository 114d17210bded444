/* The map page: draws the plan that stands as JSON in this file.
 *
 * Text from the plan reaches the page through textContent and canvas fillText only, never as
 * markup.  Every number shown was made by the program that wrote the file; the scale bar is the
 * one exception, and says that it is approximate.
 *
 * Colours, signs and the drawing of pieces come from map_draw.js, which the desk shares.
 */
"use strict";
(() => {
  const {
    INK, SKY, GREEN, BLUE, WHITE,
    PIECES, OUTSIDE, INSIDE, BED, ABUTMENT, OPENING, RUN, UNMET, PICTURE, TAPES, FINDING,
    SHOW_PX, SIGN_PX, $, make, userText, bytes, ints, counts, mapX, mapY, extent, cellIndex,
    svg, drawSign, signNode, paintSign, signRadius, paintPieces, inRing, lineDistance,
  } = siteplanDraw;

  const LABEL_PX = 90;    /* pieces have their id written beside them */
  const READ_PX = 60;     /* how long a usual piece is when the page zooms to one */
  const MOST_LABELS = 400;

  const degrees = (packed, origin) => {
    const n = packed.length / 2, lon = new Float64Array(n), lat = new Float64Array(n);
    for (let i = 0; i < n; i += 1) {
      lon[i] = (origin[0] + packed[2 * i]) / 1e8;
      lat[i] = (origin[1] + packed[2 * i + 1]) / 1e8;
    }
    return { lon, lat };
  };
  const projected = (packed, origin) => {
    const at = degrees(packed, origin);
    return { x: at.lon.map(mapX), y: at.lat.map(mapY), lon: at.lon, lat: at.lat };
  };
  /* Polygons with islands, lines and points: parts of each feature, as ranges of vertices. */
  const OUTER = 0, ISLAND = 1, POINT = 3;
  const readShapes = (raw, origin) => {
    const at = projected(ints(raw.xy), origin), ends = counts(raw.ends);
    const kind = bytes(raw.kind), feature = counts(raw.feature);
    const items = raw.ids.map((id, i) => ({ id, text: raw.texts[i], rings: [], box: null }));
    for (let r = 0; r < kind.length; r += 1) {
      items[feature[r]].rings.push({ kind: kind[r], from: ends[r], to: ends[r + 1] });
    }
    items.forEach((item) => {
      if (item.rings.length) {
        item.box = extent(at.x, at.y, item.rings[0].from, item.rings[item.rings.length - 1].to);
      }
    });
    return { at, items };
  };
  const readLines = (raw, origin) => {
    const at = projected(ints(raw.xy), origin), ends = counts(raw.ends);
    const items = raw.ids.map((id, i) => ({
      id, text: raw.texts[i], from: ends[i], to: ends[i + 1], box: extent(at.x, at.y, ends[i], ends[i + 1]),
    }));
    return { at, items };
  };
  const readPieces = (raw, origin) => {
    const middle = projected(ints(raw.middle), origin), at = projected(ints(raw.xy), origin);
    const ends = counts(raw.ends), n = raw.ids.length, size = new Float64Array(n);
    let reach = 0;
    for (let i = 0; i < n; i += 1) {
      const box = extent(at.x, at.y, ends[i], ends[i + 1]);
      size[i] = Math.hypot(box[2] - box[0], box[3] - box[1]);
      reach = Math.max(reach, Math.abs(box[0] - middle.x[i]), Math.abs(box[2] - middle.x[i]),
        Math.abs(box[1] - middle.y[i]), Math.abs(box[3] - middle.y[i]));
    }
    const codeOf = counts(raw.code), lengthOf = counts(raw.length);
    return {
      n, middle, at, ends, reach, ids: raw.ids, kind: bytes(raw.kind), stations: raw.stations,
      usual: n ? size.sort()[Math.floor(n / 2)] : 0,
      code: (i) => raw.codes[codeOf[i]], length: (i) => raw.lengths[lengthOf[i]],
      near: cellIndex(middle.x, middle.y),
    };
  };

  /* ------------------------------------------------------------------ the page */

  const start = () => {
    const plan = JSON.parse($("siteplan-data").textContent);
    const map = window.map_siteplan;
    const origin = plan.origin;
    const beds = readShapes(plan.beds, origin), abutments = readShapes(plan.abutments, origin);
    const openings = readShapes(plan.openings, origin);
    const runs = readLines(plan.runs, origin), unmet = readLines(plan.unmet, origin);
    const tapes = plan.tapes ? readLines(plan.tapes, origin) : { at: null, items: [] };
    if (plan.tapes) {
      const sign = bytes(plan.tapes.sign);
      tapes.items.forEach((item, i) => { item.sign = TAPES[sign[i]]; item.label = plan.tapes.labels[i]; });
    }
    const corners = { ...projected(ints(plan.corners.xy), origin), outside: bytes(plan.corners.outside),
      texts: plan.corners.texts };
    const pieces = readPieces(plan.pieces, origin);
    const shown = new Set(["picture", "beds", "abutments", "openings", "runs", "unmet", "tapes", "outside", "inside",
      ...PIECES.map((kind) => kind.key)]);

    const scaleAt = (zoom) => 2 ** zoom;
    const usual = pieces.usual || mapX(2e-5) - mapX(0);    /* no pieces: about two metres */
    const zoomFor = (px) => Math.min(map.getMaxZoom(), Math.ceil(Math.log2(px / usual) * 2) / 2);
    const usualPx = (zoom) => usual * scaleAt(zoom);
    const piecesShow = (zoom) => pieces.n > 0 && usualPx(zoom) >= SHOW_PX;
    const cornersShow = (zoom) => usualPx(zoom) >= SHOW_PX / 2;
    const latLng = (at, i) => [at.lat[i], at.lon[i]];
    const lineOf = (at, from, to) => {
      const out = [];
      for (let i = from; i < to; i += 1) { out.push(latLng(at, i)); }
      return out;
    };

    /* ---------------------------------------------------------------- layers Leaflet draws */

    const pane = (name, z) => {
      map.createPane(name);
      map.getPane(name).style.zIndex = z;
      map.getPane(name).style.pointerEvents = "none";
      return { pane: name, renderer: L.canvas({ pane: name, padding: 0.2 }), interactive: false, smoothFactor: 0.3 };
    };
    const under = pane("under", 400), ground = pane("ground", 401), edging = pane("edging", 402), problems = pane("problems", 415);
    const picked = pane("picked", 409);    /* under the pieces: their signs stay visible */

    const shapeLayers = (shapes, base, style, lineStyle) => {
      const group = L.layerGroup();
      shapes.items.forEach((item) => {
        const polygon = [];
        item.rings.forEach((ring) => {
          const line = lineOf(shapes.at, ring.from, ring.to);
          if (ring.kind === OUTER) { polygon.push([line]); }
          else if (ring.kind === ISLAND) { polygon[polygon.length - 1].push(line); }
          else if (ring.kind === POINT) { group.addLayer(L.circleMarker(line[0], { ...base, ...lineStyle, radius: 7, dashArray: null })); }
          else { group.addLayer(L.polyline(line, { ...base, ...lineStyle })); }
        });
        if (polygon.length) { group.addLayer(L.polygon(polygon, { ...base, ...style })); }
      });
      return group;
    };
    /* over a picture every line has a white one under it, so that it is seen on dark ground and on light */
    const white = { ...under, color: WHITE, opacity: 0.9, fill: false };
    const rims = (shapes) => L.layerGroup(shapes.items.flatMap((item) =>
      item.rings.filter((ring) => ring.kind !== POINT).map((ring) => {
        const line = lineOf(shapes.at, ring.from, ring.to), closed = ring.kind === OUTER || ring.kind === ISLAND;
        return L.polyline(closed ? [...line, line[0]] : line, { ...white, weight: 3.6 });
      })));
    const casings = !plan.picture ? {} : {
      beds: rims(beds), abutments: rims(abutments), openings: rims(openings),
      runs: L.layerGroup(runs.items.map((run) => L.polyline(lineOf(runs.at, run.from, run.to), { ...white, weight: 6 }))),
    };
    const openingLine = { color: SKY, weight: 6, dashArray: "3 3", lineCap: "butt", fill: false };
    map.createPane("picture").style.zIndex = 250;
    const drawn = {
      picture: plan.picture
        ? L.imageOverlay(plan.picture.url, plan.picture.bounds, { pane: "picture", alt: "", className: "picture" })
        : L.layerGroup(),
      beds: shapeLayers(beds, ground, { color: "#00684C", weight: 1.3, fillColor: GREEN, fillOpacity: 0.16 },
        { color: "#00684C", weight: 1.3, dashArray: "6 4" }),
      abutments: shapeLayers(abutments, ground, { color: "#4A4A4A", weight: 1.3, fillColor: "#8C8C8C", fillOpacity: 0.5 },
        { color: "#4A4A4A", weight: 4 }),
      openings: shapeLayers(openings, ground, { ...openingLine, weight: 2, fill: true, fillColor: SKY, fillOpacity: 0.25 },
        openingLine),
      runs: L.layerGroup(runs.items.map((run) =>
        L.polyline(lineOf(runs.at, run.from, run.to), { ...edging, color: BLUE, weight: 3 }))),
      unmet: L.layerGroup(unmet.items.flatMap((leg) => {
        const line = lineOf(unmet.at, leg.from, leg.to);
        return [L.polyline(line, { ...problems, color: INK, weight: 7, lineCap: "butt" }),
          L.polyline(line, { ...problems, color: "#FFB380", weight: 4.5, dashArray: "9 5", lineCap: "butt" })];
      })),
      tapes: L.layerGroup(tapes.items.map((tape) => L.polyline(lineOf(tapes.at, tape.from, tape.to),
        { ...problems, color: tape.sign.color, weight: tape.sign.weight, dashArray: tape.sign.dash, lineCap: "butt" }))),
    };
    const showDrawn = () => {
      ["picture", "beds", "abutments", "openings", "runs", "unmet", "tapes"].forEach((key) => {
        drawn[key].remove();
        if (shown.has(key)) { drawn[key].addTo(map); }
      });
      Object.entries(casings).forEach(([key, casing]) => {
        casing.remove();
        if (shown.has(key) && shown.has("picture")) { casing.addTo(map); }
      });
    };
    let runWeight = 3;
    const thinRuns = () => {
      const zoom = map.getZoom(), weight = piecesShow(zoom) ? 1.5 : usualPx(zoom) < 2 ? 2 : 3;
      if (weight === runWeight) { return; }
      runWeight = weight;
      drawn.runs.eachLayer((line) => line.setStyle({ weight }));
    };

    /* ---------------------------------------------------------------- pieces and corners, on tiles */

    const paintCorners = (ctx, view) => {
      for (let i = 0; i < corners.x.length; i += 1) {
        const x = corners.x[i] * view.scale - view.left, y = corners.y[i] * view.scale - view.top;
        if (x > -14 && y > -14 && x < 270 && y < 270 && shown.has(corners.outside[i] ? "outside" : "inside")) {
          /* once pieces are large the sign stands beside the corner unit's own */
          const aside = view.px >= SIGN_PX ? 3 + 2 * signRadius(view.px) : 0;
          paintSign(ctx, corners.outside[i] ? OUTSIDE : INSIDE, x, y - aside, 6);
        }
      }
    };
    const Tiles = L.GridLayer.extend({
      createTile(at) {
        const tile = document.createElement("canvas");
        const view = { scale: scaleAt(at.z), left: at.x * 256, top: at.y * 256, px: usualPx(at.z) };
        /* at least twofold: half zoom steps enlarge a tile */
        const fine = Math.min(3, Math.max(2, Math.ceil(window.devicePixelRatio || 1)));
        tile.width = 256 * fine;
        tile.height = 256 * fine;
        const ctx = tile.getContext("2d");
        ctx.scale(fine, fine);
        if (piecesShow(at.z)) { paintPieces(ctx, pieces, view, (i) => shown.has(PIECES[pieces.kind[i]].key)); }
        if (cornersShow(at.z)) { paintCorners(ctx, view); }
        return tile;
      },
    });
    map.createPane("pieces").style.zIndex = 410;
    map.getPane("pieces").style.pointerEvents = "none";
    const tiles = new Tiles({ pane: "pieces", tileSize: 256, minZoom: 0, maxZoom: map.getMaxZoom(), noWrap: true,
      updateWhenZooming: false, keepBuffer: 1 });

    /* ---------------------------------------------------------------- names, on one canvas over the view */

    const short = (text) => (Array.from(text).length > 28 ? `${Array.from(text).slice(0, 27).join("")}\u2026` : text);
    /* the place half way along a line */
    const middleOf = (at, from, to) => {
      let total = 0;
      const step = (i) => Math.hypot(at.x[i + 1] - at.x[i], at.y[i + 1] - at.y[i]);
      for (let i = from; i + 1 < to; i += 1) { total += step(i); }
      let left = total / 2;
      for (let i = from; i + 1 < to; i += 1) {
        const length = step(i);
        if (length >= left && length > 0) {
          const t = left / length;
          return [at.x[i] + t * (at.x[i + 1] - at.x[i]), at.y[i] + t * (at.y[i + 1] - at.y[i])];
        }
        left -= length;
      }
      return [at.x[from], at.y[from]];
    };
    const Names = L.Layer.extend({
      onAdd() {
        this.canvas = make("canvas", undefined, "leaflet-zoom-hide names");
        this.canvas.setAttribute("aria-hidden", "true");
        map.getPane("names").append(this.canvas);
        map.on("moveend viewreset resize", this.draw, this);
        this.draw();
      },
      draw() {
        const size = map.getSize(), fine = window.devicePixelRatio || 1;
        this.canvas.width = size.x * fine;
        this.canvas.height = size.y * fine;
        this.canvas.style.width = `${size.x}px`;
        this.canvas.style.height = `${size.y}px`;
        L.DomUtil.setPosition(this.canvas, map.containerPointToLayerPoint([0, 0]));
        const ctx = this.canvas.getContext("2d");
        ctx.scale(fine, fine);
        const scale = scaleAt(map.getZoom()), corner = map.getPixelBounds().min;
        this.taken = [];
        const view = { scale, left: corner.x, top: corner.y, size };
        if (piecesShow(map.getZoom()) && usualPx(map.getZoom()) >= LABEL_PX) { this.pieces(ctx, view); }
        if (shown.has("tapes")) { this.tapes(ctx, view); }
        if (shown.has("beds")) { this.beds(ctx, view); }
      },
      tapes(ctx, view) {
        tapes.items.forEach((tape) => {
          const [mx, my] = middleOf(tapes.at, tape.from, tape.to);
          const x = mx * view.scale - view.left, y = my * view.scale - view.top;
          if (x < 0 || y < 0 || x > view.size.x || y > view.size.y) { return; }
          const px = Math.hypot(tape.box[2] - tape.box[0], tape.box[3] - tape.box[1]) * view.scale;
          if (px < 12) { return; }
          paintSign(ctx, tape.sign.sign, x, y, 7);
          this.pen(ctx, "600 12px system-ui, sans-serif", INK);
          if (px > ctx.measureText(tape.label).width) { this.write(ctx, tape.label, x, y + 18); }
        });
      },
      write(ctx, text, x, y) {
        const half = ctx.measureText(text).width / 2 + 3;
        const box = [x - half, y - 9, x + half, y + 9];
        if (this.taken.some((b) => b[0] < box[2] && b[2] > box[0] && b[1] < box[3] && b[3] > box[1])) { return; }
        this.taken.push(box);
        ctx.strokeText(text, x, y);
        ctx.fillText(text, x, y);
      },
      pen(ctx, font, ink) {
        ctx.font = font;
        ctx.textAlign = "center";
        ctx.textBaseline = "middle";
        ctx.lineJoin = "round";
        ctx.lineWidth = 4;
        ctx.strokeStyle = "rgba(255,255,255,0.92)";
        ctx.fillStyle = ink;
      },
      beds(ctx, view) {
        this.pen(ctx, "600 13px system-ui, sans-serif", "#00402F");
        beds.items.forEach((bed) => {
          if (!bed.box) { return; }
          const width = (bed.box[2] - bed.box[0]) * view.scale, text = short(bed.id);
          const x = (bed.box[0] + bed.box[2]) / 2 * view.scale - view.left;
          const y = (bed.box[1] + bed.box[3]) / 2 * view.scale - view.top;
          if (x < 0 || y < 0 || x > view.size.x || y > view.size.y) { return; }
          if (width > ctx.measureText(text).width * 1.3) { this.write(ctx, text, x, y); }
        });
      },
      pieces(ctx, view) {
        this.pen(ctx, "12px system-ui, sans-serif", INK);
        let left = MOST_LABELS;
        pieces.near(view.left / view.scale, view.top / view.scale, (view.left + view.size.x) / view.scale,
          (view.top + view.size.y) / view.scale, (i) => {
            if (left <= 0 || !shown.has(PIECES[pieces.kind[i]].key)) { return; }
            left -= 1;
            this.write(ctx, short(pieces.ids[i]), pieces.middle.x[i] * view.scale - view.left,
              pieces.middle.y[i] * view.scale - view.top + 18);
          });
      },
    });
    map.createPane("names").style.zIndex = 440;
    map.getPane("names").style.pointerEvents = "none";
    const names = new Names();

    /* ---------------------------------------------------------------- what lies under the pointer */

    const near = (box, x, y, pad) => box && x >= box[0] - pad && x <= box[2] + pad && y >= box[1] - pad && y <= box[3] + pad;

    const pieceAt = (x, y, pad) => {
      let best = -1, distance = Infinity;
      const reach = Math.max(pieces.reach, pad);
      pieces.near(x - reach, y - reach, x + reach, y + reach, (i) => {
        if (!shown.has(PIECES[pieces.kind[i]].key)) { return; }
        const inside = inRing(x, y, pieces.at, pieces.ends[i], pieces.ends[i + 1]);
        const away = inside ? 0 : Math.hypot(x - pieces.middle.x[i], y - pieces.middle.y[i]);
        if (away <= pad && away < distance) { best = i; distance = away; }
      });
      return best;
    };
    const cornerAt = (x, y, pad) => {
      let best = -1, distance = pad;
      for (let i = 0; i < corners.x.length; i += 1) {
        const away = Math.hypot(x - corners.x[i], y - corners.y[i]);
        if (away < distance && shown.has(corners.outside[i] ? "outside" : "inside")) { best = i; distance = away; }
      }
      return best;
    };
    const lineAt = (lines, x, y, pad) => {
      let best = -1, distance = pad;
      lines.items.forEach((line, i) => {
        if (!near(line.box, x, y, pad)) { return; }
        const away = lineDistance(x, y, lines.at, line.from, line.to);
        if (away < distance) { best = i; distance = away; }
      });
      return best;
    };
    const shapeAt = (shapes, x, y, pad) => shapes.items.findIndex((item) => {
      if (!near(item.box, x, y, pad)) { return false; }
      let inside = false, close = false;
      item.rings.forEach((ring) => {
        if (ring.kind === OUTER || ring.kind === ISLAND) {
          if (inRing(x, y, shapes.at, ring.from, ring.to)) { inside = !inside; }
        } else if (ring.kind === POINT) {
          close = close || Math.hypot(x - shapes.at.x[ring.from], y - shapes.at.y[ring.from]) <= pad;
        } else {
          close = close || lineDistance(x, y, shapes.at, ring.from, ring.to) <= pad;
        }
      });
      return inside || close;
    });
    const thingAt = (point, px) => {
      const zoom = map.getZoom(), scale = scaleAt(zoom), corner = map.getPixelBounds().min;
      const x = (point.x + corner.x) / scale, y = (point.y + corner.y) / scale, pad = px / scale;
      const found = (type, i) => (i >= 0 ? { type, i } : null);
      return (piecesShow(zoom) && found("piece", pieceAt(x, y, pad)))
        || (cornersShow(zoom) && found("corner", cornerAt(x, y, pad)))
        || (shown.has("tapes") && tapes.items.length && found("tape", lineAt(tapes, x, y, pad)))
        || (shown.has("unmet") && found("unmet", lineAt(unmet, x, y, pad)))
        || (shown.has("openings") && found("opening", shapeAt(openings, x, y, pad)))
        || (shown.has("runs") && found("run", lineAt(runs, x, y, pad)))
        || (shown.has("abutments") && found("abutment", shapeAt(abutments, x, y, pad)))
        || (shown.has("beds") && found("bed", shapeAt(beds, x, y, pad)))
        || null;
    };

    /* ---------------------------------------------------------------- the box that tells about one thing */

    const SHAPES = {
      bed: { word: "Bed", from: beds, sign: BED },
      abutment: { word: "Abutment", from: abutments, sign: ABUTMENT },
      opening: { word: "Opening", from: openings, sign: OPENING },
      run: { word: "Run", from: runs, sign: RUN },
      unmet: { word: "Unmet leg", from: unmet, sign: UNMET },
      tape: { word: "Tape", from: tapes, sign: TAPES[2].sign },
    };
    const about = (thing) => {
      if (thing.type === "piece") {
        const kind = PIECES[pieces.kind[thing.i]];
        return { word: "Piece", id: pieces.ids[thing.i], sign: kind.sign, behind: kind.fill, text: "", rows: [
          ["Kind", kind.one], ["Code", pieces.code(thing.i)], ["Station", pieces.stations[thing.i]],
          ["Length", pieces.length(thing.i)]] };
      }
      if (thing.type === "corner") {
        const outside = corners.outside[thing.i];
        return { word: outside ? "Outside corner" : "Inside corner", id: "", sign: outside ? OUTSIDE : INSIDE, rows: [],
          text: corners.texts[thing.i] };
      }
      if (thing.type === "finding") {
        return { word: plan.findings[thing.i].word, id: "", sign: FINDING, rows: [], text: plan.findings[thing.i].text };
      }
      const shape = SHAPES[thing.type], item = shape.from.items[thing.i];
      return { word: shape.word, id: item.id, sign: item.sign ? item.sign.sign : shape.sign, rows: [], text: item.text };
    };

    let pinned = null, hovered = null;
    const mark = L.layerGroup().addTo(map);
    const outlineOf = (thing) => {
      if (thing.type === "piece") {
        return [lineOf(pieces.at, pieces.ends[thing.i], pieces.ends[thing.i + 1])];
      }
      const item = SHAPES[thing.type].from.items[thing.i], at = SHAPES[thing.type].from.at;
      return item.rings ? item.rings.map((ring) => lineOf(at, ring.from, ring.to)) : [lineOf(at, item.from, item.to)];
    };
    const isLine = (thing) => ["run", "unmet", "tape"].includes(thing.type);
    const placeOf = (thing) => (thing.type === "corner" ? latLng(corners, thing.i)
      : thing.type === "finding" ? findingPlaces[thing.i] : null);
    const showMark = (thing) => {
      mark.clearLayers();
      if (!thing) { return; }
      const place = placeOf(thing);
      [{ color: INK, weight: 12 }, { color: "#F0E442", weight: 8 }].forEach((style) => {
        const all = { ...picked, ...style, fill: false };
        if (place) { mark.addLayer(L.circleMarker(place, { ...all, radius: 16 })); }
        else {
          outlineOf(thing).forEach((line) => mark.addLayer(
            isLine(thing) || line.length < 3 ? L.polyline(line, all) : L.polygon(line, all)));
        }
      });
    };
    const fillBox = (thing) => {
      const box = $("info");
      box.hidden = !thing;
      if (!thing) { return; }
      const { word, id, sign, behind, rows, text } = about(thing);
      drawSign($("info-sign"), sign, behind);
      $("info-title").replaceChildren(make("span", `${word} `), userText("span", id));
      const list = make("dl");
      rows.forEach(([name, value]) => list.append(make("dt", name), userText("dd", value)));
      $("info-rows").replaceChildren(...(rows.length ? [list] : []), ...(text ? [userText("p", text)] : []));
      $("info-steps").hidden = thing !== pinned;
      $("info-close").hidden = thing !== pinned;
      $("info-before").hidden = thing.type !== "piece";
      $("info-after").hidden = thing.type !== "piece";
      if (thing.type === "piece") {
        $("info-before").disabled = thing.i === 0;
        $("info-after").disabled = thing.i === pieces.n - 1;
      }
    };
    const speak = (thing) => {
      const { word, id, rows, text } = about(thing);
      $("spoken").textContent = [`${word} ${id}`, ...rows.map(([name, value]) => `${name} ${value}`), text].filter(Boolean).join(". ");
    };
    const same = (a, b) => a === b || (a && b && a.type === b.type && a.i === b.i);
    const hover = (thing) => {
      if (same(thing, hovered)) { return; }
      hovered = thing;
      const told = thing && !same(thing, pinned) ? thing : pinned;
      fillBox(told);
      showMark(told);
      map.getContainer().classList.toggle("over", Boolean(thing));
    };
    const pin = (thing) => {
      pinned = thing;
      hovered = null;
      fillBox(thing);
      showMark(thing);
      if (thing) { speak(thing); } else { $("spoken").textContent = ""; }
    };

    /* ---------------------------------------------------------------- going to a place */

    const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    const goTo = (thing) => {
      const place = placeOf(thing);
      if (place) { map.setView(place, Math.max(map.getZoom(), zoomFor(READ_PX)), { animate: !still }); return; }
      map.fitBounds(L.latLngBounds(outlineOf(thing).flat()),
        { maxZoom: zoomFor(READ_PX), padding: [40, 40], animate: !still });
    };
    const narrow = () => window.matchMedia("(max-width: 760px)").matches;
    const choose = (thing) => {
      if (narrow()) { openPanel(false); }
      map.invalidateSize({ animate: false });
      goTo(thing);
      pin(thing);
    };
    const corner = (x, y) => [(origin[1] + y) / 1e8, (origin[0] + x) / 1e8];
    const bounds = plan.bounds && L.latLngBounds(corner(plan.bounds[0], plan.bounds[1]), corner(plan.bounds[2], plan.bounds[3]));
    const showAll = () => { if (bounds) { map.fitBounds(bounds, { padding: [24, 24], maxZoom: zoomFor(READ_PX), animate: false }); } };
    const findingPlaces = plan.findings.map((finding) => finding.at && corner(finding.at[0], finding.at[1]));

    /* ---------------------------------------------------------------- panel: look */

    const addSwitch = (group, key, word, count, sign, behind, disabled) => {
      const label = make("label", undefined, "switch"), box = make("input");
      box.type = "checkbox";
      box.checked = shown.has(key) && !disabled;
      box.disabled = Boolean(disabled);
      box.dataset.layer = key;
      box.addEventListener("change", () => {
        if (box.checked) { shown.add(key); } else { shown.delete(key); }
        if (drawn[key]) { showDrawn(); } else { tiles.redraw(); }
        names.draw();
      });
      label.append(box, signNode(sign, behind), make("span", word, "word"), make("span", count, "amount"));
      group.append(label);
    };
    const group = (word) => {
      const node = make("div", undefined, "group");
      node.setAttribute("role", "group");
      node.setAttribute("aria-label", word);
      node.append(make("p", word, "group-word"));
      $("switches").append(node);
      return node;
    };
    const buildLook = () => {
      const amounts = plan.amounts, ownPieces = group("Pieces");
      PIECES.forEach((kind) => addSwitch(ownPieces, kind.key, kind.many, amounts[kind.key], kind.sign, kind.fill, !pieces.n));
      const line = group("Edging");
      addSwitch(line, "runs", "Runs", amounts.runs, RUN);
      addSwitch(line, "unmet", "Unmet legs", amounts.unmet, UNMET);
      addSwitch(line, "outside", "Outside corners", amounts.outside, OUTSIDE);
      addSwitch(line, "inside", "Inside corners", amounts.inside, INSIDE);
      if (tapes.items.length) {
        const taped = group("Tapes");
        addSwitch(taped, "tapes", "Tape differences", String(tapes.items.length), TAPES[2].sign);
        TAPES.slice().reverse().forEach((kind) => {
          const row = make("div", undefined, "switch");
          row.append(signNode(kind.sign), make("span", kind.word, "word"));
          taped.append(row);
        });
      }
      const site = group("Ground");
      addSwitch(site, "beds", "Beds", amounts.beds, BED);
      addSwitch(site, "abutments", "Abutments", amounts.abutments, ABUTMENT);
      addSwitch(site, "openings", "Openings", amounts.openings, OPENING);
      if (plan.picture) {
        addSwitch(site, "picture", "Aerial picture", "", PICTURE);
        site.append(userText("p", plan.picture.text, "picture-word"));
      }
      $("look-hint").textContent = plan.piece_note;
      $("whole").addEventListener("click", showAll);
      plan.notes.forEach((note) => $("notes").append(userText("p", note)));
    };

    const MOST_HITS = 12;
    const candidates = function* candidates() {
      for (const [type, shape] of [["bed", beds], ["run", runs], ["unmet", unmet], ["tape", tapes]]) {
        for (let i = 0; i < shape.items.length; i += 1) { yield [shape.items[i].id, { type, i }]; }
      }
      for (let i = 0; i < pieces.n; i += 1) { yield [pieces.ids[i], { type: "piece", i }]; }
    };
    const search = (wanted) => {
      const exact = [], begins = [];
      for (const [id, thing] of candidates()) {
        const low = id.toLowerCase();
        if (low === wanted) { exact.push(thing); }
        else if (begins.length < MOST_HITS && low.startsWith(wanted)) { begins.push(thing); }
      }
      return exact.concat(begins).slice(0, MOST_HITS);
    };
    const showHits = () => {
      const wanted = $("find-text").value.trim().toLowerCase();
      const hits = wanted ? search(wanted) : [];
      $("find-hits").replaceChildren(...hits.map((thing) => {
        const { word, id, sign, behind } = about(thing), item = make("li"), button = make("button");
        button.type = "button";
        button.append(signNode(sign, behind), make("span", `${word} `), userText("span", id));
        button.addEventListener("click", () => choose(thing));
        item.append(button);
        return item;
      }));
      $("find-none").hidden = !wanted || hits.length > 0;
      return hits;
    };
    const buildFind = () => {
      let waiting = 0;
      $("find-text").addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(showHits, 150); });
      $("find").addEventListener("submit", (event) => {
        event.preventDefault();
        clearTimeout(waiting);
        const hits = showHits();
        if (hits.length) { choose(hits[0]); }
      });
    };

    /* ---------------------------------------------------------------- panel: check */

    const buildCheck = () => {
      const line = (into, sign, word, text, thing) => {
        const item = make("li"), inside = make(thing ? "button" : "div", undefined, "entry");
        if (thing) {
          inside.type = "button";
          inside.addEventListener("click", () => choose(thing));
        }
        const words = make("span", undefined, "words");
        words.append(userText("strong", word), make("span", " "), userText("span", text, "said"));
        inside.append(sign, words);
        if (thing) { inside.append(make("span", "Show", "go")); }
        item.append(inside);
        into.append(item);
      };
      unmet.items.forEach((leg, i) => line($("unmet-list"), signNode(UNMET), leg.id, leg.text, { type: "unmet", i }));
      $("unmet-none").hidden = unmet.items.length > 0;
      plan.findings.forEach((finding, i) => {
        const sign = make("span", finding.grade === "error" ? "!" : "i", `grade ${finding.grade}`);
        sign.setAttribute("aria-hidden", "true");
        line($("finding-list"), sign, finding.word, finding.text, finding.at ? { type: "finding", i } : null);
      });
      $("finding-none").hidden = plan.findings.length > 0;
      $("check-count").hidden = !plan.to_check;
      $("check-count").textContent = plan.to_check;
      $("check-count").setAttribute("aria-label", `${plan.to_check} to look at first`);
    };

    /* ---------------------------------------------------------------- panel: count */

    const buildCount = () => {
      plan.counts.forEach((row) => {
        const kind = PIECES[row.kind], line = make("tr"), code = userText("th");
        code.scope = "row";
        code.append(userText("span", row.code, "code"), userText("span", row.name, "name"));
        const sort = make("td", undefined, "kind");
        sort.append(signNode(kind.sign, kind.fill), make("span", kind.one));
        line.append(code, sort, userText("td", row.count, "number"), userText("td", row.order, "number"));
        $("count-rows").append(line);
      });
      $("counts").hidden = !plan.counts.length;
      $("count-none").hidden = plan.counts.length > 0;
    };

    /* ---------------------------------------------------------------- panel: frame */

    const openPanel = (open) => {
      document.body.classList.toggle("closed", !open);
      $("panel-toggle").setAttribute("aria-expanded", String(open));
      $("panel-toggle-word").textContent = open ? "Hide" : "Show";
      $("panel-toggle").setAttribute("aria-label", open ? "Hide layers, checks and counts" : "Show layers, checks and counts");
    };
    const tabs = ["look", "check", "count"];
    const showTab = (name) => tabs.forEach((tab) => {
      const on = tab === name;
      $(`tab-${tab}`).setAttribute("aria-selected", String(on));
      $(`tab-${tab}`).tabIndex = on ? 0 : -1;
      $(`pane-${tab}`).hidden = !on;
    });
    const buildFrame = () => {
      document.title = plan.title;
      $("title").textContent = plan.title;
      plan.basis.forEach((line) => $("basis").append(userText("p", line)));
      $("panel-toggle").addEventListener("click", () => openPanel(document.body.classList.contains("closed")));
      tabs.forEach((tab, i) => {
        $(`tab-${tab}`).addEventListener("click", () => showTab(tab));
        $(`tab-${tab}`).addEventListener("keydown", (event) => {
          const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
          if (!step) { return; }
          const next = tabs[(i + step + tabs.length) % tabs.length];
          showTab(next);
          $(`tab-${next}`).focus();
        });
      });
      openPanel(!narrow());
    };

    /* ---------------------------------------------------------------- controls on the map */

    const Scale = L.Control.extend({
      options: { position: narrow() ? "topright" : "bottomleft" },
      onAdd() {
        this.box = make("div", undefined, "scale");
        this.box.setAttribute("aria-hidden", "true");
        this.bars = [["m", 1], ["ft", 1 / 0.3048]].map(([unit, perMetre]) => {
          const line = make("div", undefined, "line"), bar = make("span", undefined, "bar"), word = make("span");
          line.append(bar, word);
          this.box.append(line);
          return { bar, word, unit, perMetre };
        });
        map.on("move zoomend resize", this.update, this);
        map.whenReady(this.update, this);
        return this.box;
      },
      update() {
        const y = map.getSize().y / 2;
        const metres = map.distance(map.containerPointToLatLng([0, y]), map.containerPointToLatLng([110, y]));
        this.bars.forEach(({ bar, word, unit, perMetre }) => {
          const most = metres * perMetre, power = 10 ** Math.floor(Math.log10(most));
          const round = [5, 2, 1].map((step) => step * power).find((value) => value <= most) || power;
          bar.style.width = `${Math.round(110 * round / most)}px`;
          word.textContent = `about ${Number(round.toPrecision(3))} ${unit}`;
        });
      },
    });
    const North = L.Control.extend({
      options: { position: "topleft" },
      onAdd() {
        const box = make("div", undefined, "north"), arrow = svg("svg", { viewBox: "0 0 24 30", "aria-hidden": "true" });
        arrow.append(svg("path", { d: "M12 1L20 21L12 16L4 21Z", fill: INK }));
        box.setAttribute("role", "img");
        box.setAttribute("aria-label", "North is up");
        box.append(arrow, make("span", "N"));
        return box;
      },
    });
    const Hint = L.Control.extend({
      options: { position: "topright" },
      onAdd() {
        this.button = make("button", "Zoom in to see the pieces", "hint");
        this.button.type = "button";
        L.DomEvent.disableClickPropagation(this.button);
        this.button.addEventListener("click", () => map.setZoom(zoomFor(SHOW_PX * 2.5), { animate: !still }));
        map.on("zoomend", this.update, this);
        return this.button;
      },
      update() { this.button.hidden = !pieces.n || piecesShow(map.getZoom()); },
    });

    const listen = () => {
      let move = null, asked = false, fingers = false;
      const container = map.getContainer();
      container.addEventListener("pointerdown", (event) => { fingers = event.pointerType !== "mouse"; });
      /* Leaflet focuses the map on a click too; the cross-hair is for those who came by keyboard */
      const hand = (name) => () => { document.documentElement.dataset.hand = name; };
      document.addEventListener("keydown", hand("keys"), true);
      document.addEventListener("pointerdown", hand("pointer"), true);
      map.on("mousemove", (event) => {
        if (fingers) { return; }
        move = event.containerPoint;
        if (!asked) {
          asked = true;
          requestAnimationFrame(() => { asked = false; if (move) { hover(thingAt(move, 8)); } });
        }
      });
      map.on("mouseout movestart", () => { move = null; hover(null); });
      map.on("click", (event) => pin(thingAt(event.containerPoint, fingers ? 20 : 8)));
      map.on("zoomend", thinRuns);
      container.addEventListener("keydown", (event) => {
        if (event.key === "Enter" && event.target === container) { pin(thingAt(map.getSize().divideBy(2), 14)); }
      });
      document.addEventListener("keydown", (event) => { if (event.key === "Escape") { pin(null); } });
      $("info-close").addEventListener("click", () => { pin(null); container.focus(); });
      $("info-go").addEventListener("click", () => { if (pinned) { goTo(pinned); } });
      const step = (by) => {
        if (!pinned || pinned.type !== "piece") { return; }
        const i = Math.max(0, Math.min(pieces.n - 1, pinned.i + by));
        pin({ type: "piece", i });
        if (!map.getBounds().pad(-0.15).contains(latLng(pieces.middle, i))) { map.panTo(latLng(pieces.middle, i), { animate: !still }); }
      };
      $("info-before").addEventListener("click", () => step(-1));
      $("info-after").addEventListener("click", () => step(1));
      new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(container);
    };

    buildFrame();
    buildLook();
    buildFind();
    buildCheck();
    buildCount();
    map.invalidateSize({ animate: false });
    if (bounds) {
      showAll();
      map.setMinZoom(Math.max(0, map.getZoom() - 3));
      map.setMaxBounds(bounds.pad(2));
    }
    showDrawn();
    thinRuns();
    map.addLayer(tiles);
    map.addLayer(names);
    map.addControl(new North());
    map.addControl(new Scale());
    const hint = new Hint();
    map.addControl(hint);
    hint.update();
    listen();
    document.documentElement.dataset.ready = "yes";
  };

  document.addEventListener("DOMContentLoaded", start);
})();
