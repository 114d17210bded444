/* The side panel: what is said of the chosen bed and of the whole site, in Look and in Check. */
"use strict";
(() => {
  const { $, make, userText, button, label, option, state, on, tell, say, goTo, ROLES } = desk;
  const { signNode, PIECES, OUTSIDE, INSIDE, RUN, UNMET, PICTURE } = siteplanDraw;
  const { get, post } = desk.net;
  const { features, plan } = desk.store;

  const KINDS = { section: 0, closer: 1, cut: 2, corner: 3, end: 4 };
  let later = 0, site = null, bed = null, trial = null, trialFault = "";     /* answers of /api/panel; a trial while a point is dragged */

  /* ------------------------------------------------------------------ parts every pane uses */

  const rows = (list) => list.flatMap(({ label: name, text, note }) => {
    const said = userText("dd", text);
    if (note) { said.append(userText("small", note)); }
    return [userText("dt", name), said];
  });
  const rowList = (list) => { const node = make("dl", undefined, "rows"); node.append(...rows(list)); return node; };
  const countTable = (counts, caption) => {
    const table = make("table", undefined, "counts"), head = make("tr"), body = make("tbody");
    table.append(userText("caption", caption));
    ["Code", "Kind", "Count"].forEach((name, i) => { const cell = make("th", name, i === 2 ? "number" : ""); cell.scope = "col"; head.append(cell); });
    const thead = make("thead");
    thead.append(head);
    counts.forEach((row) => {
      const line = make("tr"), code = userText("th"), kind = make("td", undefined, "kind");
      const sort = PIECES[typeof row.kind === "number" ? row.kind : KINDS[row.kind]];
      code.scope = "row";
      code.append(userText("span", row.code, "code"), userText("span", row.what || row.name || "", "name"));
      if (sort) { kind.append(signNode(sort.sign, sort.fill), make("span", sort.one)); }
      line.append(code, kind, userText("td", row.text ?? String(row.count), "number"));
      body.append(line);
    });
    table.append(thead, body);
    return table;
  };
  const entry = (sign, strong, text, act) => {
    const item = make("li"), inside = make(act ? "button" : "div", undefined, "entry");
    if (act) { inside.type = "button"; inside.addEventListener("click", act); }
    const words = make("span", undefined, "words");
    if (strong) { words.append(userText("strong", strong), make("span", " ")); }
    words.append(userText("span", text, "said"));
    if (sign) { inside.append(sign); }
    inside.append(words);
    if (act) { inside.append(make("span", "Show", "go")); }
    item.append(inside);
    return item;
  };
  /* what and how much on the line, why on opening */
  const unmetEntry = (leg) => {
    const cut = leg.text.indexOf(": "), item = entry(signNode(UNMET), leg.leg, cut > 0 ? leg.text.slice(0, cut) : leg.text, () => showLeg(leg.leg, leg));
    if (cut > 0) {
      const more = make("details"), name = make("summary", "Why");
      name.setAttribute("aria-label", `Why ${leg.leg} is unmet`);
      more.append(name, userText("p", leg.text.slice(cut + 2)));
      item.classList.add("opens");
      item.append(more);
    }
    return item;
  };
  const gradeSign = (level) => {
    const bad = level === "error" || level === "warning";
    const sign = make("span", bad ? "!" : "i", `grade ${bad ? "error" : ""}`);
    sign.setAttribute("aria-hidden", "true");
    return sign;
  };
  const showLeg = (leg, line) => {
    const at = (line && line.line) || plan.all("legs").find((item) => item.id === leg)?.line;
    if (at) { goTo(desk.boxOf([at])); desk.pen.mark([{ line: at }]); }
  };
  const showPlace = (at) => {
    desk.map().setView([at[1], at[0]], Math.max(desk.map().getZoom(), desk.paint.zoomFor(40)), { animate: !desk.still() });
    desk.pen.mark([{ at }]);
  };
  const findingEntry = (finding) => entry(gradeSign(finding.level), "", finding.text, finding.at ? () => showPlace(finding.at)
    : finding.bed && features.has(`beds ${finding.bed}`) ? () => showFeature(`beds ${finding.bed}`) : null);
  const none = (text) => make("li", text, "soft");
  const legWord = (leg) => [leg.length, `${leg.pieces} ${leg.pieces === "1" ? "piece" : "pieces"}`, leg.unmet ? "unmet" : "",
    leg.left_over && leg.left_over !== "none" ? leg.left_over : ""].filter(Boolean).join(", ");

  const showFeature = (key) => {
    const feature = features.get(key);
    if (feature) { desk.edit.choose(key); goTo(feature.box); }
  };

  /* ------------------------------------------------------------------ the chosen thing, above each pane */

  const chosenHead = (feature) => {
    const head = make("header", undefined, "chosen-head"), title = make("h2");
    title.append(make("span", `${ROLES[feature.role].one[0].toUpperCase()}${ROLES[feature.role].one.slice(1)} `), userText("span", feature.name || feature.id));
    head.append(signNode(ROLES[feature.role].sign), title, button("Let go", () => desk.edit.choose(null)));
    return head;
  };
  const faultBox = (feature) => {
    const refusal = desk.saving.refusals.get(feature.key), faults = refusal ? refusal.faults : trialFault ? [{ what: trialFault }] : [];
    if (!faults.length) { return null; }
    const box = make("div", undefined, "fault");
    box.append(make("strong", refusal ? "Not saved: this outline has a fault" : "So it cannot be saved"));
    faults.forEach((fault) => {
      box.append(userText("p", [fault.where, fault.what, fault.mend].filter(Boolean).join(" ")));
      if (fault.at) { box.append(button("Show where", () => showPlace(fault.at))); }
    });
    if (refusal) { box.append(button("Go back to how it was saved", () => desk.saving.letGo(feature.key))); }
    return box;
  };
  const legList = (panel) => {
    const list = make("ol", undefined, "list legs");
    (panel.legs || []).forEach((leg) => {
      const item = entry(null, leg.id, legWord(leg), () => showLeg(leg.id));
      item.append(button("Tape", () => { desk.setMode("check"); askTape(leg.id); }, "small"));
      list.append(item);
    });
    return list;
  };
  const chosenPanel = () => trial || bed;
  const fillChosen = () => {
    const feature = desk.edit.chosen(), panel = chosenPanel();
    document.querySelectorAll(".chosen").forEach((box) => {
      const kept = box.contains(document.activeElement);
      box.replaceChildren();
      if (!feature || box.parentElement.hidden) { return; }
      const fault = faultBox(feature);
      box.append(chosenHead(feature), ...(fault ? [fault] : []));
      if (feature.role === "beds" && panel) {
        const pane = box.parentElement.id;
        if (pane === "pane-look") { box.append(rowList(panel.rows || []), ...(panel.cost ? [userText("p", panel.cost.text, "cost")] : [])); }
        if (pane === "pane-look") { box.append(make("h3", "Legs"), legList(panel)); }
        if (pane === "pane-check") {
          const unmet = make("ol", undefined, "list"), findings = make("ol", undefined, "list");
          unmet.append(...(panel.unmet || []).map(unmetEntry));
          findings.append(...(panel.findings || []).map(findingEntry));
          if (!unmet.children.length && !findings.children.length) { findings.append(none("Nothing to say about this bed.")); }
          box.append(unmet, findings, make("h3", "Legs"), legList(panel));
        }
        if (pane === "pane-order") {
          box.append(...(panel.cost ? [userText("p", panel.cost.text, "cost")] : []), countTable(panel.counts || [], "Pieces of this bed"));
          desk.orderPane.bedSettings(box, feature.id);
        }
      } else if (feature.role === "beds") { box.append(make("p", "The program has not laid it yet.", "soft")); }
      if (kept) { box.querySelector("button")?.focus(); }
    });
    tell("chosen panel", panel);
  };
  const fillSite = () => {
    const panel = site;
    if (!panel) { return; }
    /* findings and the cut plan of a large site take longer than its pieces: ask again for them */
    clearTimeout(later);
    if (panel.findings_pending || (panel.cost && panel.cost.pending)) { later = setTimeout(() => { if (!desk.dragging && !desk.saving.halted()) { refresh(); } }, 1000); }
    const unmet = panel.unmet || [], findings = panel.findings || [];
    const serious = unmet.length + findings.filter((finding) => finding.level === "error" || finding.level === "warning").length;
    $("check-count").hidden = !serious;
    $("check-count").textContent = String(serious);
    $("check-count").setAttribute("aria-label", `${serious} to look at first`);
    fillPane[state.mode](panel, unmet, findings);
  };
  /* the pane that is seen: the others are filled when they are turned to */
  const fillPane = {
    look: (panel) => $("look-rows").replaceChildren(...rows(panel.rows || [])),
    draw(panel) {
      $("draw-rows").replaceChildren(...rows(panel.rows || []));
      $("draw-cost").textContent = panel.cost ? panel.cost.text : "";
    },
    check(panel, unmet, findings) {
      $("unmet-list").replaceChildren(...(unmet.length ? unmet.map(unmetEntry) : [none("Every leg is met.")]));
      $("finding-list").replaceChildren(...(findings.length ? findings.map(findingEntry) : [none(panel.findings_pending ? "Being gathered." : "No findings.")]));
    },
    order(panel) {
      $("cost").replaceChildren(userText("span", panel.cost ? panel.cost.text : "No prices in this product line."));
      if (panel.cost && panel.cost.pending) { $("cost").append(userText("small", typeof panel.cost.pending === "string" ? panel.cost.pending : "The cut plan is still being reckoned.")); }
      $("cost-rows").replaceChildren(...rows((panel.cost && panel.cost.rows) || []));
      const table = countTable(panel.counts || [], "Pieces of the whole site");
      table.id = "site-counts";
      $("site-counts").replaceWith(table);
    },
  };

  let asked = 0;
  const refresh = async () => {
    asked += 1;
    const mine = asked, feature = desk.edit.chosen();
    const wanted = feature && feature.role === "beds" && !desk.edit.isNew(feature) ? feature.id : null;
    try {
      const [all, one] = await Promise.all([get("/api/panel"), wanted ? get(`/api/panel?bed=${encodeURIComponent(wanted)}`).catch(gone) : null]);
      if (mine !== asked) { return; }
      site = all; bed = one; trial = null;
      fillSite(); fillChosen();
    } catch (error) { desk.saving.trouble(error); }
  };
  const gone = (error) => { if (error.status === 404 || error.status === 422) { return null; } throw error; };

  /* ------------------------------------------------------------------ Look: beds in view, what is shown */

  /* a site without a bed: what to do first */
  const fillBegin = () => {
    const empty = ![...features.values()].some((feature) => feature.role === "beds") && !state.site.beds_count;
    $("begin").hidden = !empty;
    if (!empty || $("begin").children.length) { return; }
    const line = make("p");
    line.append(make("span", "It will be laid with "), userText("b", state.site.line.name), make("span", ". Another product line can be chosen in Order, at any time."));
    $("begin").append(make("h2", "There is no bed yet"), make("p", "Trace the first one: choose Draw, then Bed, and click round it."), button("Draw a bed", () => { desk.setMode("draw"); desk.drawPane.begin(desk.drawPane.NEW[0]); }, "main"), line);
  };
  const inOrder = new Intl.Collator(undefined, { numeric: true });
  const fillBeds = () => {
    fillBegin();
    if (state.mode !== "look") { return; }
    const wanted = $("find-text").value.trim().toLowerCase(), bounds = desk.map().getBounds();
    const hits = [...features.values()].filter((feature) => feature.role === "beds"
      && (wanted ? feature.id.toLowerCase().includes(wanted) || (feature.name || "").toLowerCase().includes(wanted)
        : bounds.intersects([[feature.box[1], feature.box[0]], [feature.box[3], feature.box[2]]])));
    hits.sort((a, b) => inOrder.compare(a.id, b.id));
    $("find-list").replaceChildren(...hits.slice(0, 40).map((feature) => entry(signNode(ROLES.beds.sign), feature.id, feature.name && feature.name !== feature.id ? feature.name : "", () => showFeature(feature.key))));
    $("find-note").textContent = hits.length > 40 ? "There are more: write a letter or two, or zoom in." : hits.length ? "" : "No bed here.";
  };
  const SWITCHES = [["picture", "Picture", PICTURE], ["beds", "Beds", ROLES.beds.sign], ["abutments", "Abutments", ROLES.abutments.sign], ["openings", "Openings", ROLES.openings.sign],
    ["runs", "Runs", RUN], ["pieces", "Pieces", PIECES[0].sign, PIECES[0].fill], ["corners", "Corners", OUTSIDE], ["unmet", "Unmet legs", UNMET], ["names", "Names and lengths", null]];
  const buildSwitches = () => {
    SWITCHES.forEach(([key, name, sign, behind]) => {
      const row = make("label", undefined, "switch"), box = make("input");
      box.type = "checkbox";
      box.checked = state.shown.has(key);
      box.addEventListener("change", () => { if (box.checked) { state.shown.add(key); } else { state.shown.delete(key); } tell("shown", key); });
      row.append(box, ...(sign ? [signNode(sign, behind)] : [make("span", "abc", "sign")]), make("span", name));
      $("switches").append(row);
    });
    const legend = make("div", undefined, "legend");
    PIECES.forEach((kind) => { const row = make("span"); row.append(signNode(kind.sign, kind.fill), make("span", kind.one)); legend.append(row); });
    [[OUTSIDE, "Outside corner"], [INSIDE, "Inside corner"]].forEach(([sign, name]) => { const row = make("span"); row.append(signNode(sign), make("span", name)); legend.append(row); });
    $("switches").append(make("p", "Signs on the map", "soft"), legend);
  };

  /* ------------------------------------------------------------------ Look: measuring */

  const showMeasured = desk.net.latest((points) => post("/api/measure", { points }));
  const measure = () => {
    if (state.tool === "measure") { desk.sketch.stop(); return; }
    desk.sketch.begin({
      name: "measure", least: 2, closes: "never", lengths: true, color: "#8F3E6C", say: "Measure: click along what you want to measure.",
      changed: (points) => { if (points.length > 1) { showMeasured.ask(points, (answer, wish, error) => { $("measured").replaceChildren(error ? make("p", error.message, "fault") : rowList(answer.rows)); }); } },
      stopped: () => { showMeasured.drop(); },
      done: () => {},
    });
    $("measured").replaceChildren();
  };

  /* ------------------------------------------------------------------ Check: tapes */

  let tapeKinds = null;
  const askTape = async (leg, row, { go = true } = {}) => {
    if (!tapeKinds) {
      try { tapeKinds = (await get("/api/tapes")).kinds || []; } catch (error) { desk.saving.trouble(error); }
    }
    const form = make("form", undefined, "tape"), reading = make("input"), title = make("h2");
    form.autocomplete = "off";
    title.append(make("span", "Tape on leg "), userText("span", leg));
    reading.type = "text"; reading.id = "tape-reading"; reading.spellcheck = false; reading.required = true;
    if (row) { reading.value = row.reading; }
    let kind;
    if (tapeKinds && tapeKinds.length) { kind = make("select"); kind.append(...tapeKinds.map((item) => option(item.value, item.name))); if (row && row.kind) { kind.value = row.kind; } }
    else { kind = make("input"); kind.type = "text"; kind.value = row && row.kind ? row.kind : ""; }
    kind.id = "tape-kind";
    const save = make("button", "Keep this reading", "main");
    save.type = "submit";
    const told = make("p", undefined, "soft"), leave = button("Leave it", () => $("tape-box").replaceChildren());
    told.setAttribute("aria-live", "polite");
    form.append(title, label("What the tape says", reading), reading, label("Which tape", kind), kind, save, leave, told);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (!reading.value.trim()) { told.textContent = "Write what the tape says."; return; }
      desk.saving.act(`Taped leg ${leg}`, [{ op: "tape", leg, reading: reading.value.trim(), kind: kind.value || null, key: row ? row.key : null }]);
      $("tape-box").replaceChildren();
    });
    $("tape-box").replaceChildren(form);
    if (go) { showLeg(leg); } else { desk.pen.mark(plan.all("legs").filter((item) => item.id === leg).map(({ line }) => ({ line }))); }
    if (desk.narrow()) { desk.openSide(true); }
    reading.focus();
  };
  const fillTapes = async () => {
    try {
      const feature = desk.edit.chosen(), one = feature && feature.role === "beds" && !desk.edit.isNew(feature) ? `?bed=${encodeURIComponent(feature.id)}` : "";
      const answer = await get(`/api/tapes${one}`);
      tapeKinds = answer.kinds || null;
      $("tape-title").textContent = one ? "Tapes of this bed against the map" : "Tapes against the map";
      $("tape-list").replaceChildren(...(answer.rows.length ? answer.rows.map((row) => {
        const item = entry(null, row.leg, row.text || `tape ${row.reading}, map ${row.map}`, () => showLeg(row.leg));
        if (row.key) {
          const say1 = `Change the reading of ${row.leg}`, change = button("Change", () => askTape(row.leg, row), "small"), drop = button("Remove", () => desk.saving.act(`Removed a tape of ${row.leg}`, [{ op: "drop_tape", key: row.key }]), "small");
          change.setAttribute("aria-label", say1);
          drop.setAttribute("aria-label", `Remove the reading of ${row.leg}`);
          item.append(change, drop);
        }
        return item;
      }) : [none("No leg has been taped yet. Click a leg on the map, or Tape beside it.")]));
    } catch (error) { desk.saving.trouble(error); }
  };

  const build = () => {
    buildSwitches();
    $("find-text").addEventListener("input", fillBeds);
    $("find").addEventListener("submit", (event) => { event.preventDefault(); $("find-list").querySelector("button")?.click(); });
    $("whole").addEventListener("click", desk.showWhole);
    $("measure").addEventListener("click", measure);
    on("tool", (tool) => $("measure").setAttribute("aria-pressed", String(tool === "measure")));
    on("chosen", () => { trial = null; trialFault = ""; bed = null; desk.pen.mark([]); fillChosen(); refresh(); if (state.mode === "check") { fillTapes(); } });
    on("features", fillBeds);
    on("view", fillBeds);
    on("mode", (mode) => { fillBeds(); fillSite(); fillChosen(); if (mode === "check") { fillTapes(); } });
    on("saved", ({ entry: done, answer }) => {
      trialFault = "";
      if (answer.site && !desk.saving.waiting()) {
        trial = null; site = answer.site; fillSite();
        if (answer.panel && state.chosen && (!answer.panel.bed || `beds ${answer.panel.bed}` === state.chosen)) { bed = answer.panel; fillChosen(); } else { refresh(); }
      } else { refresh(); }
      if (state.mode === "check" || (done.changes || []).some((change) => change.op.includes("tape"))) { fillTapes(); }
    });
    on("followed", () => { refresh(); if (state.mode === "check") { fillTapes(); } });
    on("refused", fillChosen);
    on("tried", (answer) => {
      if (!answer) { trial = null; trialFault = ""; fillChosen(); fillSite(); return; }
      trialFault = answer.fault || "";
      if (answer.panel) { trial = answer.panel; }
      /* its sums alone: what there is to say place by place stays as it was */
      if (answer.site) { const kept = site; site = { ...kept, ...answer.site }; fillSite(); site = kept; }
      fillChosen();
    });
  };

  desk.panels = { build, refresh, rowList, countTable, askTape, faultBox, chosenHead, showFeature };
})();
