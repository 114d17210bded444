/* The Draw pane: what can be drawn, and what can be done with what is chosen. */
"use strict";
(() => {
  const { $, make, userText, button, label, state, on, say, called, map } = desk;
  const { signNode, BED, RUN, ABUTMENT, OPENING } = siteplanDraw;
  const { features, bare, ISLAND } = desk.store;
  const ISLAND_SIGN = { d: "M-1.3-1H1.3V1H-1.3ZM-.5-.4V.5H.6V-.4Z", fill: "#CDEBE1", line: "#00684C", width: 0.2 };

  /* ------------------------------------------------------------------ new things */

  let count = 0;
  const create = (role, points, kind, attributes = {}) => {
    count += 1;
    const id = `new-${Date.now().toString(36)}${count}`;
    const feature = desk.store.ready({ role, id, name: "", kind, rings: [points], kinds: [kind === "polygon" ? 0 : kind === "line" ? 2 : 3], attributes, fresh: true });
    desk.edit.save(`Drew ${role === "beds" && kind === "line" ? "an open strip" : desk.ROLES[role].one === "bed" ? "a bed" : `an ${desk.ROLES[role].one}`}`, null, feature);
    desk.edit.choose(feature.key);
    map().getContainer().focus();
  };
  const intoBed = (points) => {
    const feature = desk.edit.chosen();
    const bed = feature && feature.role === "beds" && feature.kinds[0] <= ISLAND ? feature : desk.paint.featureAt(desk.toScreen(points[0]), 1, "beds");
    if (!bed) { say("An island lies in a bed: choose the bed first."); $("draw-told").textContent = "An island lies in a bed: choose the bed first."; return; }
    desk.saving.act(`Cut an island into ${called(bed)}`, [{ op: "island", role: "beds", id: bed.id, ring: points }]);
    desk.edit.choose(bed.key, { silent: true });
  };
  const NEW = [
    { key: "bed", text: "Bed", help: "an outline with edging all round", sign: BED,
      spec: { kept: true, name: "bed", least: 3, closes: "must", say: "Bed: click its corners one after the other. Finish closes it.", done: (points) => create("beds", points, "polygon") } },
    { key: "island", text: "Island in a bed", help: "a ring inside, edged as well", sign: ISLAND_SIGN,
      spec: { kept: true, name: "island", least: 3, closes: "must", say: "Island: click round it, inside its bed. Finish closes it.", done: intoBed } },
    { key: "strip", text: "Open strip", help: "edging along a line", sign: RUN,
      spec: { kept: true, name: "strip", least: 2, closes: "never", say: "Open strip: click along it, from one end to the other.", done: (points) => create("beds", points, "line") } },
    { key: "abutment", text: "Abutment", help: "a wall, walk or kerb: no edging alongside", sign: ABUTMENT,
      spec: { kept: true, name: "abutment", least: 2, closes: "may", say: "Abutment: click along the wall, walk or kerb.", done: (points, area) => create("abutments", points, area ? "polygon" : "line") } },
    { key: "opening", text: "Opening", help: "a gate, walk or drain: no edging across", sign: OPENING,
      spec: { kept: true, name: "opening", least: 2, closes: "may", say: "Opening: click its two sides along the outline, or go round it.", done: (points, area) => create("openings", points, area ? "polygon" : "line") } },
  ];
  const begin = (item) => {
    if (state.readOnly) { say(`Nothing can be drawn: ${state.readOnly}`); return; }
    desk.edit.settle();
    if (item.key !== "island") { desk.edit.choose(null, { silent: true }); }
    desk.sketch.begin(item.spec);
    if (desk.narrow()) { desk.openSide(false); }
    map().getContainer().focus();
  };

  /* ------------------------------------------------------------------ the chosen thing */

  const split = () => {
    desk.edit.settle();
    const feature = desk.edit.chosen();
    desk.sketch.begin({ name: "split", least: 2, closes: "never", color: "#A33C00", say: `Split ${called(feature)}: click a line right across it.`,
      done: (points) => { desk.saving.act(`Split ${called(feature)}`, [{ op: "split", role: feature.role, id: feature.id, line: points }]); desk.edit.choose(null, { silent: true }); } });
    map().getContainer().focus();
  };
  const join = () => {
    desk.edit.settle();
    const first = desk.edit.chosen();
    state.tool = "join";
    desk.joinTo = (second) => {
      state.tool = null; desk.joinTo = null;
      if (!second || second.key === first.key || second.role !== first.role) { say("Joining given up."); fill(); return; }
      desk.saving.act(`Joined ${called(first)} and ${called(second)}`, [{ op: "merge", role: first.role, ids: [first.id, second.id] }]);
      desk.edit.choose(null, { silent: true });
    };
    say("Click the other one, or choose it from the list.");
    fill();
  };
  const joinBox = (feature) => {
    const box = make("div", undefined, "fault"), pick = make("select");
    const others = [...features.values()].filter((other) => other.role === feature.role && other.key !== feature.key);
    pick.append(...others.slice(0, 300).map((other) => desk.option(other.key, `${other.id} ${other.name && other.name !== other.id ? other.name : ""}`)));
    box.append(make("strong", "Join with which one?"), make("p", "Click it on the map, or choose it here."), label("The other one", pick), pick,
      button("Join them", () => desk.joinTo(features.get(pick.value)), "main"), button("Leave it", () => desk.joinTo(null)));
    return box;
  };

  /* what may be said of each kind of thing; other attributes stay as they came */
  const FIELDS = {
    beds: [["priority", "Priority where two beds meet", "number"]],
    abutments: [["source", "Traced from", "choice", [["", "not said"], ["wall", "the wall"], ["roof", "the roof edge"]]]],
    openings: [["width", "Width, when it is one point", "text"]],
  };
  const fields = (feature) => {
    const form = make("form", undefined, "fields"), name = make("input");
    form.autocomplete = "off";
    name.type = "text"; name.value = feature.name || ""; name.dir = "auto"; name.id = "feature-name";
    form.append(label("Name", name), name);
    const inputs = FIELDS[feature.role].map(([key, text, kind, choices]) => {
      const input = make(kind === "choice" ? "select" : "input");
      if (kind === "choice") { input.append(...choices.map(([value, word]) => desk.option(value, word))); } else { input.type = kind === "number" ? "number" : "text"; }
      const now = feature.attributes[key];
      input.value = now === undefined || now === null ? "" : String(now);
      form.append(label(text, input), input);
      return { key, kind, input, now };
    });
    const keepIt = make("button", "Keep these words");
    keepIt.type = "submit";
    form.append(keepIt);
    const take = () => {
      desk.edit.settle();
      /* the words were read a while ago: the outline is what it is now, under the id it has now */
      const now = features.get(fill.of);
      if (!now) { return; }
      const attributes = { ...now.attributes }, named = name.value !== (feature.name || "");
      let other = named;
      inputs.forEach(({ key, kind, input, now: was }) => {
        const value = input.value === "" ? null : kind === "number" ? Number(input.value) : input.value;
        if (String(value ?? "") !== String(was ?? "")) { attributes[key] = value; other = true; }
      });
      if (!other) { return; }
      const after = desk.store.ready({ ...bare(now), fresh: now.fresh, name: named ? name.value : now.name, attributes });
      desk.edit.save(`Named ${called(after)}`, now, after);
    };
    form.addEventListener("submit", (event) => { event.preventDefault(); take(); });
    return form;
  };
  const points = () => {
    const box = make("fieldset", undefined, "points"), told = make("output", desk.edit.where() || "No point taken up");
    box.append(make("legend", "Points"), told);
    const buttons = make("div", undefined, "buttons");
    const has = desk.edit.active() !== null;
    [["Point before", () => desk.edit.step(-1), true], ["Next point", () => desk.edit.step(1), true], ["Insert after it", desk.edit.insert, has], ["Remove it", desk.edit.remove, has]].forEach(([text, act, on1]) => {
      const node = button(text, act); node.disabled = !on1; buttons.append(node);
    });
    box.append(buttons, make("p", "Drag a square to move a point, a diamond to put a new one in. Or with the map in focus: N takes up the next point, arrow keys move it (Shift: finely), I inserts, Delete removes.", "soft"));
    return box;
  };
  const fill = () => {
    const box = $("chosen-draw"), feature = desk.edit.chosen();
    const focused = box.contains(document.activeElement) ? document.activeElement.textContent : null;
    if (box.contains(document.activeElement) && ["INPUT", "SELECT"].includes(document.activeElement.tagName) && feature && fill.of === feature.key) { return; }
    fill.of = feature ? feature.key : null;
    box.replaceChildren();
    if (!feature) {
      const told = make("p", "Click an outline on the map to change it.", "soft");
      told.id = "draw-told";
      box.append(told);
      return;
    }
    const fault = desk.panels.faultBox(feature), actions = make("div", undefined, "buttons");
    box.append(desk.panels.chosenHead(feature), ...(fault ? [fault] : []));
    const live = make("div", undefined, "live");
    live.id = "draw-live";
    box.append(live);
    if (state.tool === "join") { box.append(joinBox(feature)); }
    const saved = !desk.edit.isNew(feature);
    [["Split it", split, feature.kinds[0] !== 3], ["Join with another", join, feature.kinds[0] <= ISLAND], ["Cut an island", () => begin(NEW[1]), feature.role === "beds" && feature.kinds[0] <= ISLAND], ["Remove", desk.edit.removeAll, true]].forEach(([text, act, can]) => {
      if (can) { const node = button(text, act); node.disabled = Boolean(state.readOnly) || (!saved && text !== "Remove"); actions.append(node); }
    });
    box.append(points(), actions, fields(feature));
    fillLive(chosenPanel);
    if (focused) { [...box.querySelectorAll("button")].find((node) => node.textContent === focused && !node.disabled)?.focus(); }
  };
  let chosenPanel = null;
  const fillLive = (panel) => {
    chosenPanel = panel;
    const live = $("draw-live");
    if (!live) { return; }
    live.replaceChildren(...(panel ? [desk.panels.rowList(panel.rows || []), ...(panel.cost ? [userText("p", panel.cost.text, "cost")] : []), desk.panels.countTable(panel.counts || [], "Pieces of this bed")] : []));
  };

  /* a drawing that was half done when the page was left */
  const resume = (half) => {
    const item = NEW.find(({ spec }) => spec.name === half.name);
    if (!item || !half.points.length || state.readOnly) { return; }
    desk.setMode("draw");
    begin(item);
    desk.sketch.resume(half);
  };
  const build = () => {
    NEW.forEach((item) => {
      const node = button(undefined, () => begin(item), "choice");
      node.dataset.draw = item.key;
      node.append(signNode(item.sign), make("b", item.text), make("small", item.help));
      $("new-things").append(node);
    });
    on("chosen", () => { chosenPanel = null; fill(); });
    on("points", fill);
    on("mode", fill);
    on("refused", fill);
    on("renamed", ({ from, to }) => { if (fill.of === from) { fill.of = to; } });
    on("saved", fill);
    on("tool", () => document.querySelectorAll("[data-draw]").forEach((node) => node.setAttribute("aria-pressed", String(node.dataset.draw === state.tool))));
    on("chosen panel", (panel) => {
      const feature = desk.edit.chosen();
      fillLive(panel);
      const old = document.querySelector("#chosen-draw .fault:not(:has(select))"), fresh = feature ? desk.panels.faultBox(feature) : null;
      if (old) { old.remove(); }
      if (fresh && $("draw-live")) { $("draw-live").before(fresh); }
    });
    fill();
  };
  desk.drawPane = { build, begin, resume, NEW };
})();
