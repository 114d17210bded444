/* Drawing something new, point by point: by pointer, by arrow keys, by typed lengths, in arcs. */
"use strict";
(() => {
  const { $, state, say, map, toScreen, toLonLat, pixelMetres, tell } = desk;
  const { BLUE, WHITE } = siteplanDraw;
  const { pen } = desk;
  const { latest, post } = desk.net;
  const CLOSE_PX = 12;

  let sketch = null;     /* {spec, points, pen, arc, sides, snapped} */
  let turn = Promise.resolve();   /* one point after the other */

  const word = (error) => {
    const first = error.body && error.body.faults && error.body.faults[0];
    return first ? [first.what, first.mend].filter(Boolean).join(" ") : error.message;
  };
  const tellTrouble = (error) => {
    if (error instanceof desk.net.NoAnswer) { desk.saving.trouble(error); $("strip-live").textContent = "The program does not answer: points are taken as clicked."; }
    else { $("strip-live").textContent = word(error); say(word(error)); }
  };

  /* ------------------------------------------------------------------ snapping, through the program */

  const wishToSnap = (at, { except = null, points = [], square = false } = {}) =>
    ({ op: "snap", at, pixel_m: pixelMetres(), except, points: points.slice(-2), square });
  const snapNow = async (at, options) => {
    if (!state.snap && !(options && options.square)) { return { point: at, to: null }; }
    try { return await post("/api/geometry", wishToSnap(at, options), { wait: 3000 }); }
    catch (error) { if (error instanceof desk.net.NoAnswer) { desk.saving.trouble(error); } return { point: at, to: null }; }
  };
  const SNAP_SIGNS = { vertex: "square", edge: "diamond", square: "round" };

  const live = latest((wish) => post("/api/geometry", wish));
  const lengths = latest((wish) => post("/api/geometry", wish));

  /* ------------------------------------------------------------------ the strip under the map */

  const words = () => {
    const { spec, points, arc } = sketch;
    if (arc) { return arc.through ? "Arc: now the point where it ends." : "Arc: a point it passes through."; }
    if (points.length < spec.least) { return spec.say; }
    return spec.closes === "must" ? "Go on, or Finish to close the outline."
      : spec.closes === "may" ? "Finish for a line, or click the first point again for an area." : "Go on, or Finish.";
  };
  const showStrip = () => {
    $("strip").hidden = !sketch;
    document.body.classList.toggle("drawing", Boolean(sketch));
    if (!sketch) { return; }
    $("strip-say").textContent = words();
    const some = sketch.points.length > 0;
    $("strip-length").disabled = !some || sketch.arc !== null;
    $("strip-put").disabled = $("strip-length").disabled;
    $("strip-arc").disabled = !some;
    $("strip-arc").setAttribute("aria-pressed", String(sketch.arc !== null));
    $("strip-back").disabled = !some && !sketch.arc;
    $("strip-done").disabled = !(sketch.points.length >= sketch.spec.least);
    $("strip-form").hidden = sketch.spec.lengths === false;
    $("strip-done").hidden = sketch.spec.name === "measure";
    $("strip-stop").textContent = sketch.spec.name === "measure" ? "Done" : "Give up";
    pen.ask();
  };

  /* ------------------------------------------------------------------ points */

  const ended = (at) => {
    const { points, spec } = sketch, here = toScreen(at);
    if (points.length >= spec.least && here.distanceTo(toScreen(points[points.length - 1])) < 4) { return "same"; }
    if (spec.closes !== "never" && points.length >= 3 && here.distanceTo(toScreen(points[0])) < CLOSE_PX) { return "first"; }
    return null;
  };
  const changed = () => {
    sketch.preview = null;
    showStrip();
    say(sketch.points.length ? `Point ${sketch.points.length}` : "No point");
    if (sketch.spec.changed) { sketch.spec.changed(sketch.points); }
    /* what is half drawn is there again after a reload */
    if (sketch.spec.kept) { desk.keep.set("sketch", { name: sketch.spec.name, points: sketch.points, marks: sketch.marks }, sessionStorage); }
    tell("sketch", sketch.points.length);
    measureSides();
  };
  const measureSides = () => {
    if (!sketch || sketch.spec.lengths === false) { return; }
    const points = sketch.pen && sketch.points.length && !sketch.arc ? [...sketch.points, sketch.pen] : sketch.points;
    if (points.length < 2) { sketch.sides = []; pen.ask(); return; }
    const mine = sketch;
    lengths.ask({ op: "length", points }, (answer, wish, error) => {
      if (sketch !== mine) { return; }
      if (error) { tellTrouble(error); return; }
      mine.sides = answer.texts || [];
      mine.sidesOf = wish.points;
      const total = answer.total ? `, in all ${answer.total}` : "";
      $("strip-live").textContent = mine.sides.length ? `${mine.sides[mine.sides.length - 1]}${mine.sides.length > 1 ? total : ""}` : "";
      pen.ask();
    });
  };
  const addPoint = async (at, { exact = false } = {}) => {
    if (!sketch) { return; }
    const end = sketch.arc ? null : ended(at);
    if (end) { await finish(end === "first"); return; }
    const square = $("strip-square").checked && sketch.points.length > 1;
    const mine = sketch;
    const found = exact ? { point: at } : await snapNow(at, { points: sketch.points, square });
    if (sketch !== mine) { return; }
    const point = found.point;
    if (sketch.arc) {
      if (!sketch.arc.through) { sketch.arc.through = point; showStrip(); return; }
      try {
        const a = sketch.points[sketch.points.length - 1];
        const answer = await post("/api/geometry", { op: "arc", a, through: sketch.arc.through, b: point });
        const bow = answer.points.filter((p, i) => i || p[0] !== a[0] || p[1] !== a[1]);
        sketch.marks.push(sketch.points.length);
        sketch.points.push(...bow);
        $("strip-live").textContent = answer.text || "";
      } catch (error) { tellTrouble(error); }
      sketch.arc = null;
      changed();
      return;
    }
    sketch.marks.push(sketch.points.length);
    sketch.points.push(point);
    changed();
  };
  const inTurn = (step) => { turn = turn.then(step).catch((error) => { tellTrouble(error); if (!(error instanceof desk.net.NoAnswer) && !error.body) { throw error; } }); return turn; };
  const takeBack = () => {
    if (!sketch) { return; }
    if (sketch.arc) { sketch.arc = sketch.arc.through ? { through: null } : null; showStrip(); return; }
    if (!sketch.marks.length) { return; }
    sketch.points.length = sketch.marks.pop();
    changed();
  };
  const typed = async () => {
    const length = $("strip-length").value.trim();
    if (!sketch || !sketch.points.length || !length) { return; }
    const towards = sketch.pen;
    if (!towards) { $("strip-live").textContent = "Point in the direction first: move the pointer, or the arrow keys on the map."; return; }
    try {
      const answer = await post("/api/geometry", { op: "next", points: sketch.points, towards, length, square: $("strip-square").checked && sketch.points.length > 1 });
      await addPoint(answer.point, { exact: true });
      $("strip-length").value = "";
      if (pen.keys.at) { pen.keys.at = toScreen(answer.point); keepInView(); map().getContainer().focus(); }
      $("strip-live").textContent = answer.text || "";
    } catch (error) { tellTrouble(error); $("strip-length").select(); }
  };
  const keepInView = () => {
    const size = map().getSize(), at = pen.keys.at;
    if (at.x < 20 || at.y < 20 || at.x > size.x - 20 || at.y > size.y - 20) {
      const by = at.subtract(size.divideBy(2));
      map().panBy(by, { animate: false });
      pen.keys.at = size.divideBy(2);
    }
  };

  /* ------------------------------------------------------------------ begin and end */

  const begin = (spec) => {
    stop();
    sketch = { spec, points: [], marks: [], pen: null, arc: null, sides: [], snapped: null };
    state.tool = spec.name;
    map().doubleClickZoom.disable();
    map().getContainer().classList.add("draws");
    $("strip-live").textContent = "";
    $("strip-length").value = "";
    showStrip();
    say(spec.say);
    tell("tool", spec.name);
  };
  const resume = ({ points, marks }) => { sketch.points = points; sketch.marks = marks; changed(); };
  const stop = () => {
    if (!sketch) { return; }
    const { spec } = sketch;
    sketch = null;
    desk.keep.drop("sketch", sessionStorage);
    state.tool = null;
    live.drop(); lengths.drop();
    pen.keys.at = null;
    map().doubleClickZoom.enable();
    map().getContainer().classList.remove("draws");
    showStrip();
    pen.ask();
    if (spec.stopped) { spec.stopped(); }
    tell("tool", null);
  };
  const finish = async (closed) => {
    const { spec, points } = sketch, area = spec.closes === "must" || closed;
    if (points.length < (area ? Math.max(3, spec.least) : spec.least)) { say(spec.say); return; }
    if (spec.name === "measure") { return; }
    stop();
    await spec.done(points, area);
  };

  /* ------------------------------------------------------------------ the pointer and the keys */

  const hover = (point) => {
    if (!sketch) { return; }
    const at = toLonLat(point);
    sketch.pen = at;
    pen.ask();
    const mine = sketch, square = $("strip-square").checked && sketch.points.length > 1;
    if (sketch.arc && sketch.arc.through) {
      live.ask({ op: "arc", a: sketch.points[sketch.points.length - 1], through: sketch.arc.through, b: at }, (answer) => {
        if (sketch === mine && answer) { mine.preview = answer.points; $("strip-live").textContent = answer.text || ""; pen.ask(); }
      });
      return;
    }
    if (!state.snap && !square) { mine.snapped = null; measureSides(); return; }
    live.ask(wishToSnap(at, { points: sketch.points, square }), (answer, wish) => {
      if (sketch !== mine || !answer) { return; }
      mine.snapped = answer.to ? answer : null;
      if (mine.pen === wish.at && answer.to) { mine.pen = answer.point; }
      measureSides();
      pen.ask();
    });
  };
  const click = (point) => inTurn(() => addPoint(toLonLat(point)));

  const key = (event) => {
    if (!sketch) { return false; }
    if (pen.ARROWS[event.key]) {
      const from = pen.keys.at || (sketch.points.length ? toScreen(sketch.points[sketch.points.length - 1]) : map().getSize().divideBy(2));
      pen.keys.at = pen.nudge(event, from);
      hover(pen.keys.at);
    } else if (event.key === "Enter") {
      pen.keys.at = pen.keys.at || map().getSize().divideBy(2);
      click(pen.keys.at);
    } else if (event.key === "Backspace") { takeBack(); }
    else if (event.key === "Escape") { stop(); }
    else if (event.key === "f" || event.key === "F") { inTurn(() => finish(false)); }
    else if (event.key === "a" || event.key === "A") { arc(); }
    else if (/^[0-9.,]$/.test(event.key) && sketch.points.length && !sketch.arc && !event.ctrlKey) {
      $("strip-length").value = event.key;
      $("strip-length").focus();
    } else { return false; }
    return true;
  };
  const arc = () => {
    if (!sketch || !sketch.points.length) { return; }
    sketch.arc = sketch.arc ? null : { through: null };
    sketch.preview = null;
    showStrip();
    say(words());
  };

  /* ------------------------------------------------------------------ painting */

  pen.painters.push((ctx) => {
    if (!sketch) { return; }
    const { points, spec, arc: bow } = sketch, next = sketch.pen;
    if (points.length) {
      ctx.beginPath();
      pen.line(ctx, points, false);
      if (next && !bow) { const to = toScreen(next); ctx.lineTo(to.x, to.y); }
      if (spec.closes === "must" && points.length > 1) {
        ctx.closePath();
        ctx.globalAlpha = 0.12; ctx.fillStyle = "#009E73"; ctx.fill(); ctx.globalAlpha = 1;
      }
      pen.rimmed(ctx, spec.color || BLUE, 2.5);
    }
    if (bow && bow.through) {
      ctx.beginPath();
      pen.line(ctx, sketch.preview || [points[points.length - 1], bow.through], false);
      pen.rimmed(ctx, BLUE, 2.5, [6, 4]);
      pen.dot(ctx, toScreen(bow.through), "diamond", 5, WHITE);
    }
    /* the points of the hand; those an arc is made of are not marked */
    const made = new Set([...sketch.marks, points.length - 1]);
    points.forEach((point, i) => { if (made.has(i)) { pen.dot(ctx, toScreen(point), "square", i === 0 && spec.closes !== "never" ? 6 : 4, WHITE, BLUE); } });
    if (sketch.snapped && next) { pen.dot(ctx, toScreen(next), SNAP_SIGNS[sketch.snapped.to] || "round", 8, null, "#A33C00"); }
    const measured = sketch.sidesOf || [];
    sketch.sides.slice(0, 200).forEach((side, i) => {
      if (!measured[i + 1]) { return; }
      const a = toScreen(measured[i]), b = toScreen(measured[i + 1]);
      if (a.distanceTo(b) > 30) { pen.text(ctx, side, (a.x + b.x) / 2, (a.y + b.y) / 2 - 14); }
    });
  });

  const build = () => {
    $("strip-form").addEventListener("submit", (event) => { event.preventDefault(); inTurn(typed); });
    $("strip-back").addEventListener("click", takeBack);
    $("strip-stop").addEventListener("click", stop);
    $("strip-done").addEventListener("click", () => inTurn(() => sketch && finish(false)));
    $("strip-arc").addEventListener("click", arc);
    $("strip-snap").addEventListener("change", () => { state.snap = $("strip-snap").checked; });
    $("strip").addEventListener("keydown", (event) => { if (event.key === "Escape") { event.preventDefault(); stop(); map().getContainer().focus(); } });
  };

  desk.sketch = { build, begin, resume, stop, hover, click, key, snapNow, wishToSnap, word, active: () => sketch !== null, points: () => (sketch ? sketch.points : []) };
})();
