// The views: list of runs, one run, what is left, the file; and the next piece called out.

const $ = (id) => document.getElementById(id);

// every text of the plan and of people goes through here, as text
function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "on") Object.entries(value).forEach(([type, listener]) => node.addEventListener(type, listener));
    else if (key === "text") node.textContent = value;
    else if (key === "value") node.value = value;
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}
const button = (text, press, attributes = {}) => el("button", { type: "button", text, on: { click: press }, ...attributes });
// names may be written from right to left: each stands by itself
const name = (text, attributes = {}) => el("bdi", { text, ...attributes });
const plural = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;

const SVG = "http://www.w3.org/2000/svg";
function svg(size_, paths, label) {
  const node = document.createElementNS(SVG, "svg");
  for (const [key, value] of Object.entries({ viewBox: "-12 -12 24 24", width: size_, height: size_, "aria-hidden": "true" })) node.setAttribute(key, value);
  for (const [d, fill, stroke, width] of paths) {
    const path = document.createElementNS(SVG, "path");
    for (const [key, value] of Object.entries({ d, fill, stroke, "stroke-width": width, "stroke-linejoin": "round", "stroke-linecap": "round" })) path.setAttribute(key, value);
    node.append(path);
  }
  return node;
}
const CIRCLE = (r) => `M${-r} 0A${r} ${r} 0 1 0 ${r} 0A${r} ${r} 0 1 0 ${-r} 0Z`;
const INK = "currentColor";
function sign(kind, laid, size_ = 32) {
  if (laid) return svg(size_, [["M-8 0L-2 7L9 -8", "none", INK, 4]]);
  return svg(size_, [[
    [CIRCLE(5), INK, "none", 0], ["M0 -10L10 0L0 10L-10 0Z", "none", INK, 2.5], ["M-7 -7L7 7M7 -7L-7 7", "none", INK, 4],
    ["M-8 -8H8V8H-8Z", INK, INK, 1], [CIRCLE(7), "none", INK, 3.5],
  ][kind]]);
}
function turnArrow(tenths, size_ = 44) {
  if (Math.abs(tenths) < LEAST_TURN) return svg(size_, [["M0 10V-8M-5 -3L0 -9L5 -3", "none", INK, 3.5]]);
  const side = tenths > 0 ? -1 : 1;
  return Math.abs(tenths) < 300
    ? svg(size_, [[`M${-2 * side} 10V2L${6 * side} -7M${-1 * side} -7H${6.5 * side}V0`, "none", INK, 3.5]])
    : svg(size_, [[`M${-5 * side} 10V-3H${8 * side}M${3 * side} -8L${9 * side} -3L${3 * side} 2`, "none", INK, 3.5]]);
}

// --- what is shown ------------------------------------------------------------------------------------

const state = { tab: "runs", run: -1, piece: -1, filter: "", page: "runs", printed: null };
const undo = [];

const laidIn = (run) => { let n = 0; for (let k = RUN_FIRST[run]; k < RUN_FIRST[run + 1]; k++) n += field.laid[k]; return n; };
const piecesOf = (run) => Array.from({ length: RUNS.pieces[run] }, (_, k) => RUN_FIRST[run] + k);
const legPieces = (leg) => piecesOf(LEGS.run[leg]).filter((k) => P.leg[k] === leg);
const nextOf = (run, after = -1) => {
  const open = piecesOf(run).filter((k) => !field.laid[k]);
  return open.find((k) => k > after) ?? open[0] ?? -1;
};
const bedName = (run) => {
  const b = RUNS.bed[run], id = PLAN.beds.ids[b], called = PLAN.beds.names[b];
  return called === id ? id : `${id}, ${called}`;
};

function tell(text) {
  $("told").textContent = text;
  clearTimeout(tell.later);
  tell.later = setTimeout(() => { $("told").textContent = ""; }, 9000);
}

function changed() {
  showHead();
  showCard();
  if (state.tab !== "map" || wide()) showPanel();
  requestDraw();
}
const wide = () => window.matchMedia("(min-width: 900px)").matches;

function go(tab) {
  state.tab = tab;
  if (tab !== "map") state.page = tab === "runs" && state.page === "run" ? "run" : tab;
  document.body.dataset.tab = tab;
  for (const one of $("tabs").children) one.setAttribute("aria-current", String(one.dataset.to === tab));
  showPanel();
  showCard();
  if (tab !== "map") $("panel").scrollTop = 0;
  if (view.whole) showAll(); else moved(true);
}

function choose(run, piece) {
  state.run = view.run = run;
  state.piece = view.piece = piece;
}

function showHead() {
  const left_ = COUNT - field.laid.reduce((a, b) => a + b, 0);
  $("site").replaceChildren(name(PLAN.site));
  $("which").replaceChildren(
    `${plural(left_, "piece")} left of ${COUNT} · plan ${PLAN.plan_short}`, ...(PLAN.revision ? [" · revision ", name(PLAN.revision)] : []));
  const save = $("save-now");
  save.hidden = !field.unsaved;
  save.replaceChildren("Save file", el("small", { text: `${field.unsaved} not in a file` }));
}

// --- the next piece ------------------------------------------------------------------------------------

// the card made anew; whoever works by keys keeps the button they are on
function showCard() {
  const held = document.activeElement && document.activeElement.closest("#card button");
  const at = held ? [...$("card").querySelectorAll("button")].indexOf(held) : -1;
  makeCard();
  const again = at < 0 ? null : $("card").querySelectorAll("button")[at];
  if (again) again.focus({ preventScroll: true });
}

function makeCard() {
  const card = $("card"), run = state.run;
  document.body.dataset.run = run < 0 ? "" : "chosen";
  if (run < 0) {
    card.replaceChildren(el("p", { class: "hint", text: COUNT ? "Tap a piece on the map, or choose a run from the list." : "This plan has no pieces to lay here." }));
    return;
  }
  const total = RUNS.pieces[run], laid = laidIn(run);
  const head = el("div", { class: "card-head" },
    el("div", { class: "card-run" }, name(RUNS.ids[run], { class: "strong" }), el("span", { text: ` ${laid} of ${total} laid` }),
      el("progress", { max: Math.max(total, 1), value: laid, "aria-label": "pieces laid" })),
    button("List", () => openRun(run), { class: "slim" }));
  if (state.piece < 0) {
    card.replaceChildren(head, el("p", { class: "hint", text: total ? "All pieces of this run are laid." : "No piece of this run can be laid as planned: see its list." }),
      el("div", { class: "card-keys" }, undoButton(), button("Save file", saveFile)));
    return;
  }
  const k = state.piece, [turn, words] = turnWords(k), done = field.laid[k];
  const tick = field.ticks.get(pieceId(k));
  const following = piecesOf(run).find((other) => other > k && !field.laid[other]);
  card.replaceChildren(
    head,
    el("div", { class: `call ${KIND_NAMES[P.kind[k]]}` },
      el("div", { class: "call-sign" }, sign(P.kind[k], done, 52)),
      el("div", { class: "call-what" },
        el("div", { class: "call-kind", text: `${done ? "Laid: " : k === nextOf(run) ? "Next: " : ""}${kindWord(k)}${P.kind[k] === CORNER ? cornerLetter(k) : ""}` }),
        el("div", { class: "call-code" }, name(tick && tick.laid && tick.used ? tick.used : codeOf(k)))),
      el("div", { class: "call-length" }, P.kind[k] === CUT ? el("small", { text: "cut to" }) : null, lengthText(P.kind[k] === CUT ? P.cut[k] : P.um[k]))),
    el("div", { class: "call-turn" }, turnArrow(turn), el("span", { text: words })),
    el("ul", { class: "call-notes" },
      ...jointWords(k).map(([text, loud]) => el("li", { text, class: loud ? "loud" : "" })),
      ...(PLAN.pieces.notes[k] || []).map((text) => el("li", { text, class: "loud" })),
      el("li", { text: stationWords(k) }),
      el("li", {}, "Piece ", name(pieceId(k), { class: "strong" })),
      following === undefined ? null : el("li", { text: `Then: ${kindWord(following)}, ${lengthWords(following)}` })),
    el("div", { class: "card-keys" },
      button("‹", () => step(-1), { "aria-label": "Piece before", class: "slim" }),
      done ? button("Not laid after all", () => press([k], false), { class: "big" })
        : button("Laid", () => press([k], true), { class: "big main" }),
      button("›", () => step(1), { "aria-label": "Piece after", class: "slim" })),
    el("div", { class: "card-keys" }, undoButton(), button("Other piece…", () => askOther(k)), button("Note…", () => askNote("piece", pieceId(k), RUNS.ids[run]))));
}

function undoButton() {
  return button("Undo", pressUndo, { disabled: !undo.length });
}

function step(by) {
  const first = RUN_FIRST[state.run], count = RUNS.pieces[state.run];
  const k = first + ((state.piece - first + by + count) % count);
  choose(state.run, k);
  showPiece(k);
  changed();
}

// tick pieces, or take ticks back; afterwards the next piece is called out
function press(pieces, laid, changes) {
  const rows = pieces.filter((k) => Boolean(field.laid[k]) !== laid || changes);
  if (!rows.length) return;
  undo.push(rows.map((k) => [k, { laid: Boolean(field.laid[k]), ...usedOf(k) }]));
  if (undo.length > 200) undo.shift();
  setLaid(rows, laid, changes);
  const run = runOf(rows[0]);
  const next = laid ? nextOf(run, rows.at(-1)) : rows[0];
  choose(run, next);
  if (state.tab === "map" || wide()) { if (next >= 0) showPiece(next); }
  changed();
  if (laid && next < 0) askDone(run);
}

// what was laid in place of the planned piece, where it was another one
function usedOf(k) {
  const { used, cut } = field.ticks.get(pieceId(k)) || {};
  return { ...(used && { used }), ...(cut && { cut }) };
}

function pressUndo() {
  const last = undo.pop();
  if (!last) return;
  const rows = (wanted) => last.filter(([, before]) => wanted(before)).map(([k]) => k);
  const bare = rows((b) => !b.laid), plain = rows((b) => b.laid && !b.used), [first] = last[0];
  setLaid(bare, false);
  setLaid(plain, true, {});
  for (const [k, { laid, ...used }] of last) if (laid && used.used) setLaid([k], true, used);
  choose(runOf(first), first);
  if (state.tab === "map" || wide()) showPiece(first);
  changed();
  tell(bare.length ? `${plural(bare.length, "tick")} taken back.` : `${plural(last.length, "piece")} ticked as before.`);
}

// --- panels --------------------------------------------------------------------------------------------

function showPanel() {
  const page = { runs: runsPage, run: runPage, left: leftPage, file: filePage }[state.page];
  const scroll = $("panel").scrollTop, held = document.activeElement && document.activeElement.dataset && document.activeElement.dataset.hold;
  const typed = held ? document.activeElement.value : null;
  $("panel").replaceChildren(...page());
  if (held) {
    const again = $("panel").querySelector(`[data-hold="${CSS.escape(held)}"]`);
    if (again) { again.value = typed; again.focus({ preventScroll: true }); }
  }
  $("panel").scrollTop = scroll;
}

function openRun(run) {
  choose(run, nextOf(run));
  state.page = "run";
  go("runs");
  view.run = run;
}

function layRun(run) {
  choose(run, nextOf(run));
  go("map");
  if (state.piece >= 0) showPiece(state.piece); else showBox(runBox(run));
}

function runsPage() {
  const wanted = state.filter.trim().toLowerCase();
  const list = el("div", { class: "beds" });
  PLAN.beds.ids.forEach((bed, b) => {
    const runs = RUNS_OF[b];
    if (!runs.length && !BED_SHOWN[b]) return;
    const words = `${bed} ${PLAN.beds.names[b]} ${PLAN.beds.phases[b] || ""}`.toLowerCase();
    const shown = runs.filter((r) => !wanted || words.includes(wanted) || RUNS.ids[r].toLowerCase().includes(wanted));
    if (!shown.length && wanted && !words.includes(wanted)) return;
    list.append(el("h2", {}, name(bed), PLAN.beds.names[b] === bed ? "" : " ", PLAN.beds.names[b] === bed ? null : name(PLAN.beds.names[b], { class: "soft" }),
      PLAN.beds.phases[b] ? el("span", { class: "soft", text: ` phase ${PLAN.beds.phases[b]}` }) : null));
    if (!runs.length) list.append(el("p", { class: "soft", text: "No edging here." }));
    for (const r of shown) list.append(runRow(r));
  });
  if (!list.childNodes.length) list.append(el("p", { class: "hint", text: wanted ? "No bed or run is called that." : "There is nothing to lay." }));
  const search = el("input", { type: "search", placeholder: "Find a bed or run", "aria-label": "Find a bed or run", "data-hold": "find", value: state.filter,
    on: { input: (event) => { state.filter = event.target.value; showPanel(); } } });
  return [cautionBox(), el("div", { class: "find" }, search), list];
}

const SEVERAL_COURSES = new Set(RUNS.course).size > 1;

function runRow(r) {
  const laid = laidIn(r), total = RUNS.pieces[r], done = total && laid === total;
  const unmet = RUNS.unmet.filter((u) => u.run === r).length;
  return el("div", { class: "run-row" },
    el("button", { type: "button", class: "run-open", on: { click: () => openRun(r) } },
      el("span", { class: "run-id" }, done ? sign(0, 1, 24) : null, name(RUNS.ids[r])),
      el("span", { class: "soft", text: [lengthText(RUNS.um[r]), RUNS.closed[r] ? "closed" : "open", SEVERAL_COURSES ? `course ${RUNS.course[r]}` : ""].filter(Boolean).join(", ") }),
      el("span", { class: done ? "strong" : "", text: !total ? "no pieces" : done ? "all laid" : `${total - laid} of ${total} left` }),
      unmet ? el("span", { class: "loud", text: `${plural(unmet, "leg or corner", "legs or corners")} not met` }) : null),
    button("Lay", () => layRun(r), { class: "main", "aria-label": `Lay run ${RUNS.ids[r]}` }));
}

function cautionBox() {
  return el("details", { class: "cautions", open: !cautionBox.read, on: { toggle: (event) => { cautionBox.read = !event.target.open; } } },
    el("summary", { text: "Before anybody digs" }), el("ul", {}, ...PLAN.cautions.map((text) => el("li", { text }))));
}

function runPage() {
  const r = state.run;
  if (r < 0) { state.page = "runs"; return runsPage(); }
  const id = RUNS.ids[r], total = RUNS.pieces[r], laid = laidIn(r);
  const points = BACKWARDS ? POINTS_OF[r].slice().reverse() : POINTS_OF[r];
  const unmet = RUNS.unmet.filter((u) => u.run === r);
  return [
    el("div", { class: "page-head" }, button("‹ Runs", () => { state.page = "runs"; go("runs"); }), button("Lay", () => layRun(r), { class: "main" }),
      button("On the map", () => { go("map"); showBox(runBox(r)); })),
    el("h2", {}, name(id), el("span", { class: "soft" }, " ", name(bedName(r)))),
    el("p", { text: `${RUNS.closed[r] ? "Closed" : "Open"} run, ${lengthText(RUNS.um[r])}; ${laid} of ${total} pieces laid. ` +
      `${BACKWARDS ? "Lay it from its far end: the bed is on your right." : "Lay it from its start: the bed is on your left."}` }),
    PLAN.lines.length > 1 ? el("p", {}, "Product line: ", name(PLAN.lines[RUNS.line[r]])) : "",
    el("p", { class: "soft", text: points.map((k) => `${PLAN.points.letter[k]} ${PLAN.points.words[k]}`).join(" → ") + (RUNS.closed[r] ? " → back" : "") }),
    ...unmet.map((u) => el("p", { class: "loud" }, "Not met: ", name(u.leg), `${u.short_um ? `, ${lengthText(u.short_um)} left bare` : ""}: ${u.why}. Ask before laying.`)),
    workTimes(r),
    el("h3", { text: "As laid" }),
    lengthRow("run", id, id, RUNS.um[r], "Whole run"),
    el("div", { class: "row" },
      button(total && laid === total ? "Whole run is laid" : "Tick the whole run", () => press(piecesOf(r), true), { disabled: !total || laid === total }),
      button("Take back all its ticks", () => ask("Take back every tick of this run?", "Take back", () => press(piecesOf(r), false)), { disabled: !laid })),
    leftTable(piecesOf(r), "Left on this run"),
    ...legsOf(r).map((leg) => legPart(leg)),
    el("h3", { text: "Notes on this run" }), notesList((n) => n.run === id), el("div", { class: "row" },
      button("Add a note…", () => askNote("run", id, id)), button("Broken or extra pieces…", () => askPieces(id)), button("Print this run", () => printRuns([r]))),
    countsList((b) => b.run === id),
  ];
}

function legPart(leg) {
  const rows = legPieces(leg), laid = rows.filter((k) => field.laid[k]).length, id = LEGS.ids[leg];
  const ends = BACKWARDS ? [LEGS.far[leg], LEGS.start[leg]] : [LEGS.start[leg], LEGS.far[leg]];
  return el("section", { class: "leg" },
    el("h3", {}, "Leg ", name(id)),
    el("p", { class: "soft", text: `${ends[0]} to ${ends[1]}, ${lengthText(LEGS.um[leg])}, ${LEGS.straight[leg] ? "straight" : "curved"}; ${laid} of ${rows.length} laid` }),
    lengthRow("leg", id, RUNS.ids[LEGS.run[leg]], LEGS.um[leg], "This leg"),
    el("div", { class: "row" },
      button(rows.length && laid === rows.length ? "Leg is laid" : "Tick this leg", () => press(rows, true), { disabled: !rows.length || laid === rows.length }),
      laid ? button("Take back its ticks", () => press(rows, false)) : null),
    el("ol", { class: "pieces" }, ...rows.map(pieceRow)));
}

function pieceRow(k) {
  const done = Boolean(field.laid[k]), [, words] = turnWords(k), tick = field.ticks.get(pieceId(k));
  return el("li", {}, el("button", { type: "button", role: "checkbox", "aria-checked": String(done), class: `piece${k === state.piece ? " now" : ""}`, on: { click: () => press([k], !done) } },
    sign(P.kind[k], done),
    el("span", { class: "piece-words" },
      el("span", {}, name(PLAN.pieces.ids[k].trim(), { class: "strong" }), ` ${kindWord(k)} `, name(codeOf(k))),
      el("span", { class: "soft", text: words === "Straight on" ? lengthWords(k) : `${lengthWords(k)} · ${words}` }),
      tick && tick.laid && tick.used ? el("span", { class: "loud" }, "laid: ", name(tick.used), tick.cut ? " cut to " : "", tick.cut ? name(tick.cut) : null) : null),
    el("span", { class: "piece-state", text: done ? "laid" : "" })));
}

// --- lengths as laid -------------------------------------------------------------------------------------

function lengthRow(what, of, run, planned, label) {
  const last = latest("lengths", (l) => l.what === what && l.of === of);
  const told = el("span", { class: "soft", role: "status" });
  const say = (text) => {
    const um = text ? parseLength(text) : null;
    told.textContent = !text ? `planned ${lengthText(planned)}` : um === null
      ? `Not read as a length (write ${PLAN.units === "m" ? "12.345 m" : "41' 6-1/2\""}); kept as typed.`
      : `${lengthText(Math.abs(um - planned))} ${um === planned ? "apart: as planned" : um > planned ? "longer than planned" : "shorter than planned"}`;
    told.className = text && um === null ? "loud" : "soft";
  };
  const input = el("input", { type: "text", inputmode: "text", maxlength: 60, autocomplete: "off", "data-hold": `length ${what} ${of}`, dir: "auto",
    "aria-label": `Length as laid, ${label}`, placeholder: PLAN.units === "m" ? "length as laid, m" : "length as laid, ft in", value: last ? last.text : "",
    on: {
      input: (event) => say(event.target.value.trim()),
      change: (event) => {
        const text = event.target.value;
        const mine = (l) => l.what === what && l.of === of, before = latest("lengths", mine);
        if (text.trim() === "" ? !before : before && before.text === text) return;
        if (text.trim() === "") removeAll("lengths", mine);
        else note("lengths", { what, of, run, planned_um: planned, text });
        showHead();
      },
    } });
  say(last ? last.text : "");
  return el("label", { class: "length" }, el("span", { text: label }), input, told);
}

// --- times, notes, stock ------------------------------------------------------------------------------------

function workTimes(r) {
  const run = RUNS.ids[r], mine = standing("times").filter((t) => t.run === run), open = mine.find((t) => t.stop === null && t.by === field.phone);
  const people = el("input", { type: "number", min: 1, max: LIMIT.people, inputmode: "numeric", "aria-label": "People at work", value: open ? open.people : workTimes.people || 2 });
  const count = () => Math.min(LIMIT.people, Math.max(1, Math.round(Number(people.value)) || 1));
  return el("div", {},
    el("div", { class: "row" },
      open ? button("Stop work", () => { change("times", open, { stop: later(open.start), people: count() }); changed(); }, { class: "main" })
        : button("Start work", () => { workTimes.people = count(); note("times", { run, start: later(), stop: null, people: count() }); changed(); }),
      el("label", { class: "people" }, "People", people)),
    ...mine.map((t) => el("p", { class: "soft", text: `${t.start.slice(0, 16).replace("T", " ")} to ${t.stop ? t.stop.slice(0, 16).replace("T", " ") : "now"}, ${t.people === 1 ? "1 person" : `${t.people} people`}` })));
}

function notesList(wanted) {
  return el("ul", { class: "notes" }, ...standing("notes").filter(wanted).map((n) => el("li", {},
    n.of && n.what !== "run" ? name(`${n.of}: `, { class: "strong" }) : null, el("span", { dir: "auto", text: n.text }), removeButton("notes", n))));
}

function countsList(wanted) {
  return el("ul", { class: "notes" }, ...["broken", "extra"].flatMap((list) => standing(list).filter(wanted).map((b) => el("li", {},
    `${list === "broken" ? "Broken" : "Extra"}: ${b.count} × `, name(b.code), b.text ? ": " : "", b.text ? el("span", { dir: "auto", text: b.text }) : null, removeButton(list, b)))));
}

// all of them: an older one must not stand again
function removeAll(list, wanted) {
  standing(list).filter(wanted).forEach((record) => change(list, record, { removed: true }));
}

function removeButton(list, record) {
  return button("Remove", () => { change(list, record, { removed: true }); changed(); }, { class: "slim" });
}

function leftTable(pieces, caption) {
  const rows = new Map();
  for (const k of pieces) {
    const cut = P.kind[k] === CUT, key = `${P.code[k]} ${cut}`;
    const row = rows.get(key) || { code: P.code[k], kind: P.kind[k], cut, total: 0, laid: 0 };
    row.total += 1;
    row.laid += field.laid[k];
    rows.set(key, row);
  }
  const sorted = [...rows.values()].sort((a, b) => a.code - b.code || a.cut - b.cut);
  return el("table", { class: "left" }, el("caption", { text: caption }),
    el("thead", {}, el("tr", {}, ...["", "Code", "Laid", "Left"].map((text) => el("th", { text, scope: "col" })))),
    el("tbody", {}, ...sorted.map((row) => el("tr", {},
      el("td", {}, sign(row.kind, false, 24)),
      el("th", { scope: "row" }, name(PLAN.codes[row.code].code), el("span", { class: "soft" }, row.cut ? " to cut" : " ", row.cut ? null : name(PLAN.codes[row.code].name))),
      el("td", { class: "number", text: String(row.laid) }), el("td", { class: "number strong", text: String(row.total - row.laid) })))));
}

function leftPage() {
  const every = Array.from({ length: COUNT }, (_, k) => k);
  const used = PLAN.codes.filter((c) => every.some((k) => codeOf(k) === c.code));
  return [
    leftTable(every, "Left to lay, all runs of this page"),
    el("h3", { text: "Left over on the site" }),
    el("p", { class: "soft", text: "Count what lies there when work ends; the last count of a code stands." }),
    ...used.map((c) => {
      const last = latest("leftover", (l) => l.code === c.code);
      return el("label", { class: "length" }, name(c.code, { class: "strong" }), el("input", { type: "number", min: 0, max: LIMIT.count, inputmode: "numeric", "data-hold": `left ${c.code}`,
        "aria-label": `Left over, ${c.code}`, value: last ? last.count : "", on: { change: (event) => {
          const value = event.target.value.trim();
          if (value === "") removeAll("leftover", (l) => l.code === c.code); else if (isWhole(Number(value), 0, LIMIT.count)) note("leftover", { code: c.code, count: Number(value) });
          else { tell("A count is a whole number, 0 or more."); event.target.value = last ? last.count : ""; }
          showHead();
        } } }));
    }),
    el("div", { class: "row" }, button("Broken or extra pieces…", () => askPieces(""))),
    countsList(() => true),
  ];
}

// --- questions -------------------------------------------------------------------------------------------------

function openDialog(title, body, keys) {
  const box = $("ask");
  const close = (action) => { box.close(); if (action) action(); };
  box.replaceChildren(el("h2", { text: title }), ...body, el("div", { class: "row" }, ...keys.map(([text, action, main]) => button(text, () => close(action), { class: main ? "main" : "" }))));
  if (box.open) box.close();
  box.showModal();
}

function ask(question, yes, action) {
  openDialog(question, [], [["No", null], [yes, action, true]]);
}

function askDone(run) {
  const body = [el("p", {}, "All pieces of run ", name(RUNS.ids[run], { class: "strong" }), " are ticked. Save the field file now, so that nothing is lost with the phone.")];
  const open = standing("times").find((t) => t.run === RUNS.ids[run] && t.stop === null && t.by === field.phone);
  if (open) change("times", open, { stop: later(open.start) });
  openDialog("Run is laid", body, [["Later", null], ...(canShare() ? [["Share file", shareFile]] : []), ["Save file", saveFile, true]]);
}

function askNote(what, of, run) {
  const input = el("textarea", { rows: 4, maxlength: LIMIT.text, dir: "auto", "aria-label": "Note" });
  openDialog("Note", [el("p", {}, what === "site" ? "On the whole site" : name(of, { class: "strong" })), input], [["Cancel", null], ["Keep", () => {
    if (input.value.trim() === "") return;
    note("notes", { what, of, run, text: input.value });
    changed();
  }, true]]);
}

function codeChoice() {
  return el("select", { "aria-label": "Code" }, ...PLAN.codes.map((c) => el("option", { value: c.code, text: shortText(c.name === c.code ? c.code : `${c.code} ${c.name}`, 60) })));
}

function askPieces(run) {
  const which = el("select", { "aria-label": "Broken or extra" }, el("option", { value: "broken", text: "Broken: used up, not laid" }), el("option", { value: "extra", text: "Extra: laid, not in the plan" }));
  const code = codeChoice();
  const count = el("input", { type: "number", min: 1, max: LIMIT.count, inputmode: "numeric", value: 1, "aria-label": "How many" });
  const text = el("input", { type: "text", maxlength: 400, dir: "auto", placeholder: "why, where", "aria-label": "Why, where" });
  openDialog("Broken or extra pieces", [which, code, count, text], [["Cancel", null], ["Keep", () => {
    const n = Number(count.value);
    if (!isWhole(n, 1, LIMIT.count)) { tell("How many is a whole number, 1 or more; nothing was kept."); return; }
    note(which.value, { run, code: code.value, count: n, text: text.value });
    changed();
  }, true]]);
}

function askOther(k) {
  const code = codeChoice();
  code.value = codeOf(k);
  const cut = el("input", { type: "text", maxlength: 60, dir: "auto", "aria-label": "Cut to", placeholder: "cut to (leave free if whole)" });
  openDialog("Laid with another piece", [el("p", {}, "In place of ", name(`${codeOf(k)}`), `, ${lengthWords(k)}`), code, cut],
    [["Cancel", null], ["Laid so", () => press([k], true, { used: code.value, ...(cut.value.trim() ? { cut: cut.value } : {}) }), true]]);
}

// --- beginning --------------------------------------------------------------------------------------------------

function begin() {
  openField();
  readColours();
  if (PLAN.picture) {
    picture.width = PLAN.picture.size[0];
    picture.height = PLAN.picture.size[1];
    picture.addEventListener("load", () => { picture.hidden = false; requestDraw(); });
    picture.src = PLAN.picture.url;
  }
  $("legend").replaceChildren(...["section", "closer", "cut", "corner", "end"].flatMap((word, kind) => P.kind.includes(kind)
    ? [el("span", {}, sign(kind, false, 20), word === "cut" ? "cut piece" : word === "corner" ? "corner unit" : word === "end" ? "end unit" : word)] : []), el("span", {}, sign(0, true, 20), "laid"));
  for (const one of $("tabs").children) one.addEventListener("click", () => { if (one.dataset.to === "runs" && state.tab === "runs") state.page = "runs"; go(one.dataset.to); });
  const zoomMiddle = (factor) => { const [w, h] = size(); zoomAt(w / 2, h / 2, factor); };
  $("zoom-in").addEventListener("click", () => zoomMiddle(1.6));
  $("zoom-out").addEventListener("click", () => zoomMiddle(1 / 1.6));
  $("zoom-all").addEventListener("click", showAll);
  $("locate").addEventListener("click", locate);
  $("save-now").addEventListener("click", saveFile);
  listenToMap((k) => { choose(runOf(k), k); changed(); });
  window.addEventListener("beforeprint", makePaper);
  window.addEventListener("afterprint", () => { state.printed = null; });
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { readColours(); here.width = 0; requestDraw(); });
  window.addEventListener("beforeunload", (event) => { if (!field.kept && field.unsaved) event.preventDefault(); });
  showHead();
  go("runs");
  showAll();
  if (!field.kept) tell(`This browser keeps nothing (${field.why}): save a file before you close the page.`);
  requestAnimationFrame(() => requestAnimationFrame(() => { document.documentElement.dataset.ready = "yes"; }));
}

begin();
