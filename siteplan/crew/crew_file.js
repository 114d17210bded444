// --- the file -----------------------------------------------------------------------------------------------

function filePage() {
  const phoneName = el("input", { type: "text", maxlength: 80, "data-hold": "phone", dir: "auto", placeholder: "your name or crew", value: field.phones[field.phone], on: { change: (event) => {
    field.phones[field.phone] = event.target.value;
    writeKept("siteplan crew phone", { id: field.phone, name: event.target.value });
    keepRest();
  } } });
  const text = el("textarea", { readonly: true, rows: 6, hidden: true, "aria-label": "The field file as text" });
  const ticks = [...field.ticks.values()].filter((t) => t.laid).length;
  return [
    el("h2", { text: "Field file" }),
    el("p", { text: `${plural(ticks, "piece")} ticked${field.unsaved ? `; ${plural(field.unsaved, "entry", "entries")} not in a file yet` : "; all of it is in a file"}.` }),
    field.kept ? el("p", { class: "soft", text: "This browser keeps what you note, also when the page is closed. It may lose it when its data are cleared: save a file after every run." })
      : el("p", { class: "loud", text: `This browser keeps nothing (${field.why}). Everything works, but save a file before you close the page.` }),
    el("div", { class: "row" }, button("Save file", saveFile, { class: "main" }), canShare() ? button("Share file", shareFile) : null,
      button("Show as text", () => { text.hidden = false; text.value = fieldText(); text.focus(); text.select(); })),
    text,
    el("h3", { text: "Add the file of another phone" }),
    el("label", { class: "pick" }, "Open field files", el("input", { type: "file", accept: ".json,.txt,application/json,text/plain", multiple: true, on: { change: (event) => openFiles(event.target) } })),
    el("label", { class: "length" }, el("span", { text: "This phone" }), phoneName),
    el("h3", { text: "Notes on the site" }), notesList(() => true), el("div", { class: "row" }, button("Add a note…", () => askNote("site", "", ""))),
    el("h3", { text: "Paper" }), el("div", { class: "row" }, button("Print all runs", () => printRuns(null))),
    el("h3", { text: "This plan" }),
    el("ul", { class: "plain" },
      el("li", {}, "Site: ", name(PLAN.site)), PLAN.note ? el("li", {}, name(PLAN.note)) : null,
      el("li", {}, "Shown: ", name(PLAN.subject)), el("li", { text: `Plan ${PLAN.plan_short}` }),
      PLAN.revision ? el("li", {}, "Revision: ", name(PLAN.revision)) : null,
      el("li", {}, PLAN.lines.length > 1 ? "Product lines: " : "Product line: ", name(PLAN.lines.join(", "))), el("li", { text: `${PLAN.basis_text}. ${PLAN.grid_text}` }),
      PLAN.picture ? el("li", {}, "Picture: ", name(PLAN.picture.text)) : null,
      el("li", { text: `Phone: ${field.phone}` })),
    el("p", { class: "soft", text: "The position of a phone is good to some metres at best: it finds the bed, never the piece. Set out from the plan sheets." }),
    cautionBox(),
  ];
}

function download(text, file) {
  const url = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  const link = el("a", { href: url, download: file });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}

function saveFile() {
  download(fieldText(), fieldName());
  savedNow();
  changed();
  tell("The file is with your downloads. Send it to the office.");
}

function canShare() {
  try {
    return Boolean(navigator.share && navigator.canShare && sharedFiles("{}"));
  } catch { return false; }
}

// not every browser shares .json; the same text as .txt is read just as well
function sharedFiles(text) {
  for (const [type, end] of [["application/json", ""], ["text/plain", ".txt"]]) {
    const files = [new File([text], fieldName() + end, { type })];
    if (navigator.canShare({ files })) return files;
  }
  return null;
}

async function shareFile() {
  try {
    await navigator.share({ files: sharedFiles(fieldText()), title: fieldName() });
    savedNow();
    changed();
  } catch (error) {
    if (error.name !== "AbortError") tell("Sharing did not work here. Save the file instead.");
  }
}

async function openFiles(input) {
  const files = [...input.files], said = [];
  for (const one of files) {
    let read;
    try {
      read = one.size > 80e6 ? { faults: ["It is larger than 80 MB: no field file is."] } : readFieldFile(await one.text());
    } catch { read = { faults: ["It cannot be opened."] }; }
    said.push([one.name, read.faults ? [...read.faults.slice(0, 8), "Nothing of it was taken."] : mergeWords(takeIn(read.file), read.file)]);
  }
  input.value = "";
  undo.length = 0;
  if (state.run >= 0) choose(state.run, nextOf(state.run));
  changed();
  if (said.length) openDialog("Files opened", said.map(([file, lines]) => el("div", {}, name(file, { class: "strong" }), ...lines.map((line) => el("p", { text: line })))), [["Close", null]]);
}

function mergeWords(told, file) {
  const lines = [`${plural(told.ticks, "tick")} and ${plural(told.records, "other entry", "other entries")} are new here; ${told.known} were known already or older.`];
  if (!told.same) lines.unshift(`It is of another plan of this site (${file.plan.slice(0, 12)}${file.revision ? `, revision ${file.revision}` : ""}). Only what stands for the same piece at the same place was taken.`);
  if (told.left) lines.push(`${plural(told.left, "entry", "entries")} not taken: the plan here has no such piece or run, or has it elsewhere. They stay in that file: keep it.`);
  return lines;
}

// --- where am I ---------------------------------------------------------------------------------------------

function locate() {
  const manual = "Find the bed on the map by hand.";
  if (!window.isSecureContext || !navigator.geolocation) { tell(`This browser gives no position to a page from a file. ${manual}`); return; }
  tell("Asking for the position…");
  navigator.geolocation.getCurrentPosition((position) => {
    const { longitude, latitude, accuracy } = position.coords;
    const beyond = setPlace(longitude, latitude, accuracy);
    tell(beyond > 0 ? `The phone thinks it is ${lengthText(Math.round(beyond * 1e6))} outside the plan.`
      : `The phone thinks it is here, within ${Math.round(accuracy)} m: good for finding the bed, not for setting out.`);
  }, (error) => {
    tell(error.code === error.PERMISSION_DENIED ? `The position is not allowed for this page. ${manual}`
      : error.code === error.TIMEOUT ? `No position came in time. ${manual}` : `The phone has no position here. ${manual}`);
  }, { enableHighAccuracy: true, timeout: 15000, maximumAge: 20000 });
}

// --- paper ----------------------------------------------------------------------------------------------------

const shortCell = (text) => el("td", { class: text.length <= 24 ? "short" : "" }, name(text));

function makePaper() {
  const runs = state.printed || RUNS.ids.map((_, r) => r);
  $("paper").replaceChildren(
    el("h1", {}, name(PLAN.site)), el("p", {}, `Plan ${PLAN.plan_short}`, PLAN.revision ? ", revision " : "", PLAN.revision ? name(PLAN.revision) : null,
      `. ${PLAN.basis_text}. `, name(PLAN.lines.join(", ")), "."),
    el("ul", {}, ...PLAN.cautions.map((text) => el("li", { text }))),
    ...runs.map((r) => el("section", {},
      el("h2", {}, name(RUNS.ids[r]), " ", name(bedName(r))),
      el("p", { text: `${RUNS.closed[r] ? "Closed" : "Open"} run, ${lengthText(RUNS.um[r])}, ${plural(RUNS.pieces[r], "piece")}, usual joint ${smallText(RUNS.gap_um[r])}. ${BACKWARDS ? "Laid from the far end, bed on the right." : "Laid from the start, bed on the left."}` }),
      ...RUNS.unmet.filter((u) => u.run === r).map((u) => el("p", { class: "strong" }, "Not met: ", name(u.leg), `: ${u.why}`)),
      el("table", {}, el("thead", {}, el("tr", {}, ...["", "Piece", "Kind", "Code", "Length", "Turn", "Joint", "Station", "Laid"].map((text) => el("th", { text })))),
        el("tbody", {}, ...piecesOf(r).map((k) => el("tr", {}, el("td", {}, sign(P.kind[k], false, 14)), shortCell(pieceId(k)), el("td", { text: kindWord(k) }), shortCell(codeOf(k)),
          el("td", { class: "short", text: lengthWords(k) }), el("td", { text: turnWords(k)[1].replace("Straight on", "") }),
          el("td", { text: [...jointWords(k).filter(([, loud]) => loud).map(([text]) => text), ...(PLAN.pieces.notes[k] || [])].join("; ") }),
          el("td", { class: "short", text: lengthText(P.from[k]) }), el("td", { class: "box", text: field.laid[k] ? "✓" : "" }))))))));
}

function printRuns(runs) {
  state.printed = runs;
  window.print();
}
