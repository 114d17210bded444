/* Changing what is drawn: choosing, dragging, inserting and deleting points; the takeoff follows. */
"use strict";
(() => {
  const { state, on, tell, say, map, toScreen, toLonLat, called } = desk;
  const { BLUE, WHITE } = siteplanDraw;
  const { features, bare, ready, plan, keyOf, ISLAND } = desk.store;
  const { pen } = desk;
  const { latest, post } = desk.net;
  const MOST_HANDLES = 2000, LEAST = { 0: 3, 1: 3, 2: 2, 3: 1 };

  /* the point the keys work on: {ring, i} of the chosen feature */
  let active = null, drag = null, moved = 0;

  const chosen = () => (state.chosen ? features.get(state.chosen) : null);
  const choose = (key, { silent = false } = {}) => {
    if (state.chosen === key) { return; }
    settle();
    desk.paint.repaint([features.get(key), chosen()].filter(Boolean).map((feature) => feature.edge));
    state.chosen = key;
    active = null;
    lift();
    tell("chosen", key);
    const feature = chosen();
    if (feature && !silent) { say(`Chosen: ${called(feature)}`); }
  };
  /* while its points can be changed, the pen draws the chosen outline and the tiles leave it out */
  const lift = () => {
    const wanted = pen.editing() && chosen() ? state.chosen : null;
    if (desk.lifted === wanted) { return; }
    const edges = [desk.lifted, wanted].map((key) => features.get(key)).filter(Boolean).map((feature) => feature.edge);
    desk.lifted = wanted;
    desk.paint.repaint(edges);
  };

  /* ------------------------------------------------------------------ what goes to the program */

  const isNew = (feature) => feature.id.startsWith("new-") && feature.fresh;
  const change = (feature) => ({ op: "put", ...bare(feature), ...(isNew(feature) ? { id: null, local: feature.id } : {}) });
  const save = (what, before, after) => {
    return desk.saving.act(what, [change(after)], [{ key: keyOf(after), before: before ? { ...bare(before), fresh: before.fresh } : null, after: { ...bare(after), fresh: after.fresh } }]);
  };
  const withRings = (feature, rings) => ready({ ...bare(feature), fresh: feature.fresh, rings });

  const tries = latest((wish) => post("/api/try", wish));
  const tryOut = (feature) => {
    if (state.readOnly || desk.saving.waiting() || isNew(feature)) { return; }
    const asked = performance.now();
    tries.ask({ base: state.revision, changes: [change(feature)] }, (answer, wish, error) => {
      if (error) {
        const fault = error.body && error.body.faults && error.body.faults[0];
        tell("tried", { fault: fault ? [fault.what, fault.mend].filter(Boolean).join(" ") : error.message });
        return;
      }
      if (answer.faults && answer.faults.length) { tell("tried", { fault: answer.faults[0].what }); return; }
      if (answer.plan) { plan.over(answer.plan, answer.affected || []); }
      desk.lastTry = performance.now() - asked;
      tell("tried", answer);
    });
  };

  /* ------------------------------------------------------------------ points of the chosen outline */

  const next = (ring, i, n) => (ring <= ISLAND ? (i + 1) % n : i + 1);
  const handles = () => {
    const feature = drag ? drag.now : chosen();
    return feature && pen.editing() && !desk.sketch.active() && (drag || !desk.saving.behind(feature.key)) ? feature : null;
  };
  const each = (feature, visit) => {
    const size = map().getSize();
    let left = MOST_HANDLES;
    feature.rings.forEach((ring, r) => {
      const at = ring.map(toScreen);
      let last = null;      /* handles that would lie on one another are left out until one zooms in */
      for (let i = 0; i < at.length && left > 0; i += 1) {
        const p = at[i], own = active && active.ring === r && active.i === i;
        if (last && !own && p.distanceTo(last) < 9) { continue; }
        last = p;
        if (p.x > -30 && p.y > -30 && p.x < size.x + 30 && p.y < size.y + 30) { left -= 1; visit({ ring: r, i, at: p, kind: "point" }); }
        const j = next(feature.kinds[r], i, at.length);
        if (feature.kinds[r] !== 3 && j < at.length && at.length > 1) {
          const q = at[j], middle = L.point((p.x + q.x) / 2, (p.y + q.y) / 2);
          if (p.distanceTo(q) > 44 && middle.x > 0 && middle.y > 0 && middle.x < size.x && middle.y < size.y) { visit({ ring: r, i, at: middle, kind: "side" }); }
        }
      }
    });
  };
  const handleAt = (point, px) => {
    const feature = handles();
    let best = null, least = px;
    if (feature) {
      each(feature, (handle) => {
        const away = handle.at.distanceTo(point) + (handle.kind === "side" ? 2 : 0);
        if (away <= least) { least = away; best = handle; }
      });
    }
    return best;
  };
  const replaced = (feature, ring, act) => withRings(feature, feature.rings.map((points, r) => (r === ring ? act(points.slice()) : points)));
  const setPoint = (feature, { ring, i }, at) => replaced(feature, ring, (points) => { points[i] = at; return points; });
  const insertPoint = (feature, { ring, i }, at) => replaced(feature, ring, (points) => { points.splice(i + 1, 0, at); return points; });

  /* ------------------------------------------------------------------ dragging */

  const held = (on1) => { desk.dragging = on1; desk.saving.show(); };
  const neighbours = (feature, { ring, i }) => {
    const points = feature.rings[ring], n = points.length, closed = feature.kinds[ring] <= ISLAND;
    const before = closed ? [points[(i + n - 2) % n], points[(i + n - 1) % n]] : points.slice(Math.max(0, i - 2), i);
    return n > 2 ? before : before.slice(-1);
  };
  const snaps = latest(({ wish }) => post("/api/geometry", wish));
  const take = (handle) => {
    if (drag) { finish(drag); }      /* the one before still asks where its point snaps to: it is saved as it lies */
    const feature = chosen();
    let now = feature, spot = { ring: handle.ring, i: handle.i };
    if (handle.kind === "side") {
      now = insertPoint(feature, handle, toLonLat(handle.at));
      spot = { ring: handle.ring, i: handle.i + 1 };
    }
    drag = { before: feature, now, spot, kept: plan.remember(), moved: false, inserted: handle.kind === "side", snapped: null };
    held(true);
    active = spot;
    pen.ask();
  };
  const follow = (at, snapped) => {
    drag.now = setPoint(drag.now, drag.spot, at);
    drag.snapped = snapped;
    pen.ask();
    tryOut(drag.now);
  };
  const move = (point) => {
    if (!drag || drag.dropping) { return; }
    drag.moved = true;
    const at = toLonLat(point), mine = drag;
    mine.at = at;
    follow(at, null);
    if (!state.snap) { return; }
    const wish = desk.sketch.wishToSnap(at, { except: { role: drag.before.role, id: drag.before.id, ring: drag.spot.ring, vertex: drag.spot.i }, points: neighbours(drag.now, drag.spot) });
    snaps.ask({ wish }, (answer) => {
      if (drag === mine && answer && answer.to && mine.at === at) { follow(answer.point, answer.to); }
    });
  };
  const finish = (mine) => {
    tries.drop();
    drag = null;
    held(false);
    if (mine.moved) { save(`${mine.inserted ? "Put a point into" : "Moved a point of"} ${called(mine.before)}`, mine.before, mine.now); }
    pen.ask();
    tell("points");
  };
  const drop = async () => {
    if (!drag || drag.dropping) { return; }
    const mine = drag;
    mine.dropping = true;
    snaps.drop();
    if (mine.moved && state.snap) {
      const except = { role: mine.before.role, id: mine.before.id, ring: mine.spot.ring, vertex: mine.spot.i };
      const found = await desk.sketch.snapNow(mine.at, { except, points: neighbours(mine.now, mine.spot) });
      if (drag !== mine) { return; }      /* saved already, or given up */
      mine.now = setPoint(mine.now, mine.spot, found.point);
    }
    finish(mine);
  };
  const giveUp = () => {
    if (!drag) { return; }
    tries.drop(); snaps.drop();
    plan.restore(drag.kept);
    drag = null;
    held(false);
    pen.ask();
    tell("tried", null);
  };

  /* ------------------------------------------------------------------ by keys and buttons */

  const total = (feature) => feature.rings.reduce((sum, ring) => sum + ring.length, 0);
  const number = (feature) => feature.rings.slice(0, active.ring).reduce((sum, ring) => sum + ring.length, 0) + active.i + 1;
  const where = () => { const feature = chosen(); return feature && active ? `Point ${number(feature)} of ${total(feature)}` : ""; };
  const step = (by) => {
    settle();
    const feature = chosen();
    if (!feature) { return; }
    const all = feature.rings.flatMap((ring, r) => ring.map((p, i) => ({ ring: r, i })));
    const now = active ? all.findIndex((s) => s.ring === active.ring && s.i === active.i) : by > 0 ? -1 : 0;
    active = all[(now + by + all.length) % all.length];
    const at = feature.rings[active.ring][active.i];
    if (!map().getBounds().contains([at[1], at[0]])) { map().panTo([at[1], at[0]], { animate: false }); }
    say(where());
    pen.ask();
    tell("points");
  };
  /* arrow keys move the point at once; it is saved when they rest */
  const nudge = (event) => {
    if (drag && drag.dropping) { finish(drag); }
    const feature = chosen();
    if (!drag) { take({ ...active, kind: "point", at: toScreen(feature.rings[active.ring][active.i]) }); drag.byKeys = true; }
    const at = pen.nudge(event, toScreen(drag.now.rings[drag.spot.ring][drag.spot.i]));
    drag.moved = true;
    drag.at = toLonLat(at);
    follow(drag.at, null);
    clearTimeout(moved);
    moved = setTimeout(settle, 900);
  };
  const settle = () => {
    clearTimeout(moved);
    if (!drag || !(drag.byKeys || drag.dropping)) { return; }
    const { byKeys } = drag;
    finish(drag);
    if (byKeys) { say("Moved"); }
  };
  const insert = () => {
    settle();
    const feature = chosen();
    if (!feature || !active) { return; }
    const points = feature.rings[active.ring], j = next(feature.kinds[active.ring], active.i, points.length);
    if (j >= points.length || feature.kinds[active.ring] === 3) { say("There is no side after this point."); return; }
    const a = toScreen(points[active.i]), b = toScreen(points[j]);
    const after = insertPoint(feature, active, toLonLat(a.add(b).divideBy(2)));
    active = { ring: active.ring, i: active.i + 1 };
    save(`Put a point into ${called(feature)}`, feature, after);
    say(where());
    tell("points");
  };
  const remove = () => {
    settle();
    const feature = chosen();
    if (!feature || !active) { return; }
    const ring = feature.rings[active.ring];
    if (ring.length <= LEAST[feature.kinds[active.ring]]) { say("Fewer points would be no outline. Remove the whole of it instead."); tell("tried", { fault: "Fewer points would be no outline. Remove the whole of it instead." }); return; }
    const after = replaced(feature, active.ring, (points) => { points.splice(active.i, 1); return points; });
    active = { ring: active.ring, i: Math.min(active.i, ring.length - 2) };
    save(`Took a point out of ${called(feature)}`, feature, after);
    say(where());
    tell("points");
  };
  const removeAll = () => {
    settle();
    const feature = chosen();
    if (!feature) { return; }
    choose(null, { silent: true });
    if (isNew(feature) && desk.saving.refusals.has(feature.key)) { desk.saving.letGo(feature.key); return; }
    desk.saving.act(`Removed ${called(feature)}`, [{ op: "drop", role: feature.role, id: feature.id }], [{ key: feature.key, before: bare(feature), after: null }]);
    say("Removed. Undo brings it back.");
  };
  const key = (event) => {
    if (!handles() || event.altKey) { return false; }
    if (event.key === "n" || event.key === "N") { step(event.shiftKey ? -1 : 1); }
    else if (event.key === "Escape") { if (drag) { giveUp(); clearTimeout(moved); } else if (active) { active = null; pen.ask(); tell("points"); } else { choose(null); } }
    else if (active && pen.ARROWS[event.key]) { nudge(event); }
    else if (active && (event.key === "Insert" || event.key === "i" || event.key === "I")) { insert(); }
    else if (active && (event.key === "Delete" || event.key === "Backspace")) { remove(); }
    else if (event.key === "Enter" && drag) { settle(); }
    else { return false; }
    return true;
  };

  /* ------------------------------------------------------------------ painting */

  pen.painters.push((ctx) => {
    const feature = drag ? drag.now : chosen();
    if (!feature) { return; }
    const lifted = feature.key === desk.lifted || drag;
    if (feature.kinds[0] !== 3) {
      ctx.beginPath();
      feature.rings.forEach((ring, r) => pen.line(ctx, ring, feature.kinds[r] <= ISLAND));
      if (lifted && feature.kinds[0] <= ISLAND) { ctx.globalAlpha = 0.12; ctx.fillStyle = desk.paint.LOOKS[feature.role].fill; ctx.fill("evenodd"); ctx.globalAlpha = 1; }
      if (lifted) { pen.rimmed(ctx, BLUE, 2.2); }
    }
    if (!handles()) { return; }
    each(feature, ({ ring, i, at, kind }) => {
      if (kind === "side") { pen.dot(ctx, at, "diamond", 4, "#FFFFFFB0", "#4A4A4A"); return; }
      const own = active && active.ring === ring && active.i === i;
      pen.dot(ctx, at, "square", own ? 7 : 5, own ? pen.YELLOW : WHITE, own ? "#000000" : BLUE);
    });
    if (drag && drag.snapped) {
      const at = toScreen(drag.now.rings[drag.spot.ring][drag.spot.i]);
      pen.dot(ctx, at, drag.snapped === "edge" ? "diamond" : drag.snapped === "square" ? "round" : "square", 10, null, "#A33C00");
    }
  });

  on("mode", lift);
  on("chosen", lift);
  on("features", () => {
    if (state.chosen && !features.has(state.chosen)) { if (!drag) { state.chosen = null; active = null; lift(); tell("chosen", null); } return; }
    lift();
  });
  /* a new outline got its id while a hand holds a point of it: what is let go goes to that id */
  on("renamed", ({ from, to, id }) => {
    if (!drag || drag.before.key !== from) { return; }
    ["before", "now"].forEach((when) => { drag[when] = ready({ ...bare(drag[when]), id }); });
    state.chosen = to;
  });
  on("renamed", ({ to }) => { if (state.chosen === to) { desk.lifted = null; tell("chosen", to); } });

  desk.edit = {
    chosen, choose, handleAt, take, move, drop, giveUp, step, insert, remove, removeAll, key, where, save, isNew, settle,
    activate: (spot) => { settle(); active = spot; pen.ask(); tell("points"); say(where()); },
    active: () => active, dragging: () => drag !== null && !drag.byKeys,
  };
})();
