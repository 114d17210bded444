/* The desk begins: the map, the modes, the pointer and the keys. */
"use strict";
(() => {
  const { $, make, state, on, tell, say, map, keep, narrow, still } = desk;
  const { get, latest, NoAnswer } = desk.net;
  const MODES = ["look", "draw", "check", "order"];

  /* ------------------------------------------------------------------ modes and the panel */

  desk.setMode = (mode, { focus = false } = {}) => {
    if (state.mode !== mode) { desk.edit.settle(); desk.sketch.stop(); desk.pen.mark([]); }
    state.mode = mode;
    document.body.dataset.mode = mode;
    MODES.forEach((name) => {
      const tab = $(`mode-${name}`), on1 = name === mode;
      tab.setAttribute("aria-selected", String(on1));
      tab.tabIndex = on1 ? 0 : -1;
      $(`pane-${name}`).hidden = !on1;
      if (on1 && focus) { tab.focus(); }
    });
    tell("mode", mode);
  };
  desk.openSide = (open) => {
    document.body.classList.toggle("shut", !open);
    $("side-toggle").setAttribute("aria-expanded", String(open));
    $("side-toggle").textContent = open ? "Hide panel" : "Show panel";
  };
  desk.showWhole = () => {
    /* the beds, and the pictures they are traced from; a picture of a whole county is not the site */
    const own = state.site.beds_count || !state.site.pictures?.length ? state.site.bounds : null;
    const all = [own, ...(state.site.pictures || []).map((picture) => picture.bounds)].filter((box, i) => box && (i === 0 || box[2] - box[0] < 0.02));
    if (!all.length && state.site.pictures?.length) { all.push(state.site.pictures[0].bounds); }
    if (!all.length) { return; }
    const [west, south, east, north] = [0, 1, 2, 3].map((k) => Math[k < 2 ? "min" : "max"](...all.map((box) => box[k])));
    map().fitBounds([[south, west], [north, east]], { padding: [24, 24], maxZoom: 22, animate: !still() });
  };

  /* ------------------------------------------------------------------ the pictures underneath */

  const pictures = L.layerGroup();
  const buildPictures = () => {
    map().createPane("picture").style.zIndex = 250;
    const { pictures: own, tile_sources: sources } = state.site;
    (sources || []).forEach((source) => pictures.addLayer(L.tileLayer(source.url, { pane: "picture", maxNativeZoom: source.max_zoom || 19, maxZoom: 24 })));
    (own || []).forEach((picture) => {
      const [west, south, east, north] = picture.bounds;
      const layer = L.tileLayer(picture.url, { pane: "picture", bounds: [[south, west], [north, east]], minNativeZoom: picture.min_zoom || 0, maxNativeZoom: picture.max_native_zoom || 22, maxZoom: 24, className: "picture-tile" });
      /* a very large picture is made ready for zooming out: ask again for what was not there yet */
      if (picture.preparing) {
        layer.on("tileerror", ({ tile, coords }) => {
          const times = Number(tile.dataset.again || 0);
          if (times < 30) { tile.dataset.again = times + 1; setTimeout(() => { tile.src = layer.getTileUrl(coords); }, 2000); }
        });
      }
      pictures.addLayer(layer);
    });
    const show = () => { if (state.shown.has("picture")) { pictures.addTo(map()); } else { pictures.remove(); } document.body.classList.toggle("pictured", state.shown.has("picture") && pictures.getLayers().length > 0); };
    show();
    on("shown", (key) => { if (key === "picture") { show(); } });
    $("where-picture").textContent = [...(own || []), ...(sources || [])].map((item) => item.attribution).filter(Boolean).join(" · ");
  };

  /* ------------------------------------------------------------------ scale, zoom */

  const buildControls = () => {
    if (map().zoomControl) { map().zoomControl.remove(); }
    const box = make("div", undefined, "nearer");
    const nearer = desk.button("+", () => map().zoomIn()), farther = desk.button("\u2212", () => map().zoomOut()), whole = desk.button("All", desk.showWhole);
    nearer.setAttribute("aria-label", "Zoom in");
    farther.setAttribute("aria-label", "Zoom out");
    whole.setAttribute("aria-label", "Show the whole site");
    box.append(nearer, farther, whole);
    const note = desk.button("", () => map().setZoom(desk.paint.zoomFor(15), { animate: !still() }), "note");
    note.id = "piece-note";
    note.hidden = true;
    [box, note].forEach((node) => { L.DomEvent.disableClickPropagation(node); map().getContainer().append(node); });
    const tellNote = () => {
      const text = desk.store.plan.note(), none = !text || (desk.store.plan.layers[0] || {}).pieces;
      note.hidden = Boolean(none);
      note.textContent = text;
    };
    on("plan", tellNote);
  };

  /* ------------------------------------------------------------------ the pointer */

  const asked = latest(([lon, lat]) => get(`/api/at?lon=${lon}&lat=${lat}`, { wait: 3000 }));
  const tellWhere = (point) => asked.ask(desk.toLonLat(point), (answer) => {
    if (answer) { $("where-grid").textContent = answer.grid; $("where-lonlat").textContent = answer.lonlat; }
  });
  const listen = () => {
    const container = map().getContainer();
    let grabbed = null, fingers = false, fresh = null, frame = 0;
    /* a point that is held is taken up once the hand has gone some way */
    const pull = (hold, to) => {
      if (!hold.on && to.distanceTo(hold.from) > (fingers ? 6 : 3)) { hold.on = true; desk.edit.settle(); desk.edit.take(hold.handle); }
    };
    const place = (event) => { const box = container.getBoundingClientRect(); return L.point(event.clientX - box.left, event.clientY - box.top); };
    const reach = () => (fingers ? 24 : 9);
    container.addEventListener("pointerdown", (event) => {
      fingers = event.pointerType !== "mouse";
      swallow = -1e9;      /* a hand that presses again means it, however quick */
      desk.pen.keys.at = null;
      if (event.button || !event.isPrimary || event.target.closest("button") || state.readOnly) { return; }
      const handle = desk.edit.handleAt(place(event), reach());
      if (!handle) { return; }
      /* before Leaflet hears the mouse or touch event that follows this one */
      map().dragging.disable();
      grabbed = { handle, from: place(event), id: event.pointerId, on: false };
      container.setPointerCapture(event.pointerId);
    }, true);
    container.addEventListener("pointermove", (event) => {
      if (event.pointerType !== "mouse" && !grabbed) { return; }
      fresh = place(event);
      if (frame) { return; }
      frame = requestAnimationFrame(() => {
        frame = 0;
        if (!fresh) { return; }
        if (grabbed) {
          pull(grabbed, fresh);
          if (grabbed.on) { desk.edit.move(fresh); }
        } else if (desk.sketch.active()) { desk.sketch.hover(fresh); }
        else { hint(fresh); }
        tellWhere(fresh);
      });
    });
    const release = (event) => {
      if (!grabbed || event.pointerId !== grabbed.id) { return; }
      const was = grabbed;
      grabbed = null;
      swallow = performance.now();     /* the click that comes of this release is none on the map */
      map().dragging.enable();
      /* a hand may be quicker than a picture of the screen */
      if (event.type === "pointerup") { pull(was, place(event)); }
      if (was.on && event.type === "pointerup") { desk.edit.move(place(event)); desk.edit.drop(); }
      else if (was.on) { desk.edit.giveUp(); }
      else if (was.handle.kind === "point") { desk.edit.activate({ ring: was.handle.ring, i: was.handle.i }); }
    };
    let swallow = -1e9;
    container.addEventListener("pointerup", release);
    container.addEventListener("pointercancel", release);
    container.addEventListener("pointerleave", () => { fresh = null; container.title = ""; });

    const hint = (point) => {
      const handle = desk.edit.handleAt(point, 9), piece = desk.paint.pieceAt(point);
      container.classList.toggle("grips", Boolean(handle));
      container.classList.toggle("over", !handle && Boolean(desk.paint.featureAt(point, 8)));
      container.title = piece && !handle ? `${piece.kind.one} ${piece.id}` : "";
    };
    const pick = (point, px) => {
      if (desk.joinTo) { const hit = desk.paint.featureAt(point, px); if (hit) { desk.joinTo(hit); } return; }
      if (state.mode === "check") {
        const leg = desk.paint.legAt(point, px);
        if (leg) {
          desk.edit.choose(`beds ${leg.bed}`, { silent: true });
          if (!state.readOnly) { desk.panels.askTape(leg.id, null, { go: false }); }
          return;
        }
      }
      const feature = desk.paint.featureAt(point, px);
      desk.edit.choose(feature ? feature.key : null);
      if (feature && narrow()) { desk.openSide(true); }
    };
    map().on("click", (event) => {
      if (performance.now() - swallow < 400) { return; }
      if (desk.sketch.active()) { desk.sketch.click(event.containerPoint); return; }
      pick(event.containerPoint, fingers ? 20 : 9);
    });

    /* ---------------------------------------------------------------- keys */

    const hand = (name) => () => { document.documentElement.dataset.hand = name; };
    document.addEventListener("keydown", hand("keys"), true);
    document.addEventListener("pointerdown", hand("pointer"), true);
    /* before Leaflet moves the map with the same keys */
    container.addEventListener("keydown", (event) => {
      if (event.target !== container || event.metaKey || (event.ctrlKey && !desk.pen.ARROWS[event.key])) { return; }
      const done = desk.sketch.active() ? desk.sketch.key(event) : desk.edit.key(event);
      if (done) { event.preventDefault(); event.stopImmediatePropagation(); if (desk.pen.keys.at) { tellWhere(desk.pen.keys.at); } return; }
      if (event.key === "Enter") { pick(map().getSize().divideBy(2), 16); event.preventDefault(); }
    }, true);
    document.addEventListener("keydown", (event) => {
      const typing = event.target.closest("input, select, textarea, dialog");
      if ((event.ctrlKey || event.metaKey) && !event.altKey && !typing) {
        if (event.key.toLowerCase() === "z") { event.preventDefault(); $(event.shiftKey ? "redo" : "undo").click(); }
        else if (event.key.toLowerCase() === "y") { event.preventDefault(); $("redo").click(); }
      }
      if (event.altKey && /^[1-4]$/.test(event.key)) { event.preventDefault(); desk.setMode(MODES[event.key - 1], { focus: true }); }
    });
    MODES.forEach((mode, i) => {
      $(`mode-${mode}`).addEventListener("click", () => { desk.setMode(mode); desk.openSide(true); });
      $(`mode-${mode}`).addEventListener("keydown", (event) => {
        const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (step) { desk.setMode(MODES[(i + step + 4) % 4], { focus: true }); }
      });
    });
    $("side-toggle").addEventListener("click", () => desk.openSide(document.body.classList.contains("shut")));
    new ResizeObserver(() => map().invalidateSize({ animate: false })).observe(container);
    map().on("moveend", () => tell("view"));
  };

  /* ------------------------------------------------------------------ opening */

  const load = async () => {
    for (let tries = 0; ; tries += 1) {
      try { return await (tries ? get("/api/site") : desk.net.first); }
      catch (error) {
        if (!(error instanceof NoAnswer) && tries > 2) { throw error; }
        $("saving-word").textContent = "The program does not answer yet";
        await new Promise((go) => { setTimeout(go, 800); });
      }
    }
  };
  const begin = async () => {
    state.site = await load();
    const { site } = state;
    state.revision = site.revision;
    state.etag = site.etag;
    state.readOnly = site.can_write ? "" : site.why_not || "the site cannot be written";
    document.title = `${site.name} \u00b7 desk`;
    $("site-name").textContent = site.name;
    map().setMaxZoom(24);
    desk.openSide(!narrow());
    map().invalidateSize({ animate: false });
    const view = keep.get("view", sessionStorage);
    if (view) { map().setView(view.at, view.zoom, { animate: false }); } else { desk.showWhole(); }
    desk.store.foresee();
    buildPictures();
    buildControls();
    ["panels", "sketch", "drawPane", "orderPane", "talk", "paint", "pen"].forEach((part) => desk[part].build());
    listen();
    tell("site");
    const half = keep.get("sketch", sessionStorage);
    desk.setMode("look");
    await desk.saving.open();
    if (half) { desk.drawPane.resume(half); }
    desk.panels.refresh();
    await new Promise((go) => {
      on("fetched", go);
      desk.store.look().then(go);
    });
    map().on("moveend", () => keep.set("view", { at: [map().getCenter().lat, map().getCenter().lng], zoom: map().getZoom() }, sessionStorage));
    setInterval(desk.saving.heartbeat, 3000);
    addEventListener("focus", desk.saving.heartbeat);
    document.documentElement.dataset.ready = "yes";
  };
  const failed = (error) => {
    $("saving").dataset.state = "not";
    $("saving-word").textContent = "The site could not be opened";
    $("banner").hidden = false;
    $("banner-text").textContent = error.message;
    say(error.message);
  };
  document.addEventListener("DOMContentLoaded", () => begin().catch(failed));
})();
