/* What the page says about saving: the chip in the top bar, the banner, conflicts, revisions. */
"use strict";
(() => {
  const { $, make, userText, button, state, on, say } = desk;
  const { get } = desk.net;

  /* ------------------------------------------------------------------ one dialog for all */

  const ask = (title, body, actions) => {
    const dialog = $("dialog");
    $("dialog-title").textContent = title;
    $("dialog-body").replaceChildren(...body);
    $("dialog-actions").replaceChildren(...actions.map(([text, act, main]) => button(text, () => { dialog.close(); if (act) { act(); } }, main ? "main" : "")));
    if (!dialog.open) { dialog.showModal(); }
    $("dialog-title").focus();
  };

  /* ------------------------------------------------------------------ saved or not, always in sight */

  const banner = (text, actions) => {
    $("banner").hidden = !text;
    document.body.classList.toggle("told", Boolean(text));
    if (!text) { banner.text = ""; return; }
    if (banner.text === text) { return; }       /* said once, not at every try */
    banner.text = text;
    $("banner-text").textContent = text;
    $("banner-actions").replaceChildren(...actions);
  };
  const counted = (n) => (n === 1 ? "One edit waits" : `${n} edits wait`);
  const showSaving = ({ state: kind, text, halt, waiting, unkept }) => {
    $("saving").dataset.state = kind;
    if ($("saving-word").textContent !== text) { $("saving-word").textContent = text; }
    $("undo").disabled = !desk.saving.canUndo() || Boolean(state.readOnly);
    $("redo").disabled = !desk.saving.canRedo() || Boolean(state.readOnly);
    $("undo").title = desk.saving.nextUndo();
    $("redo").title = desk.saving.nextRedo();
    const keep = button("Download the drawing", desk.orderPane.saveDrawing), again = button("Try again now", desk.saving.resume);
    const kept = unkept ? "The browser cannot keep them over a reload: download the drawing." : "They are kept in this browser, also over a reload.";
    if (state.readOnly) { banner(`You can look, but nothing can be saved: ${state.readOnly}`, [keep]); }
    else if (!halt) { banner("", []); }
    else if (halt.kind === "silent") { banner(waiting ? `The program does not answer. You can go on drawing. ${counted(waiting)} to be saved. ${kept} The page goes on by itself when the program is back.` : "The program does not answer. You can go on drawing; the page saves when it is back.", [again, keep]); }
    else if (halt.kind === "disk") { banner(`Not saved: ${halt.text} ${waiting ? `${counted(waiting)}. ${kept}` : ""}`, [again, keep]); }
    else if (halt.kind === "stumbled") { banner(`Not saved: ${halt.text} ${waiting ? `${counted(waiting)}. ${kept}` : ""}`, [again, ...(waiting ? [button(`Leave out: ${desk.saving.entries()[0].what}`, desk.saving.leaveOut)] : []), keep]); }
    else if (halt.kind === "other") { banner(`${halt.text} Your edits stay here until the right site is back.`, [again, keep]); }
    else if (halt.kind === "conflict") { banner("Somebody else saved a change while you were drawing. Choose what to do with yours.", [button("Choose", () => conflict(halt.by), "main"), keep]); }
  };

  const when = (iso) => { const at = new Date(iso); return Number.isNaN(at.getTime()) ? iso : at.toLocaleString(); };
  const conflict = (body) => {
    const entries = desk.saving.entries(), theirs = make("p"), list = make("ul");
    theirs.append(userText("strong", body.who || "Somebody"), make("span", " saved: "), userText("span", body.what || "a change"), make("span", body.when ? `, ${when(body.when)}.` : "."));
    entries.forEach((entry) => list.append(userText("li", entry.what)));
    ask("Two changes at once", [theirs, make("p", "Yours, not saved yet:"), list,
      make("p", "Put yours on top: theirs stays in the list of revisions, and where both changed the same outline yours is the newest. Take theirs: your edits leave this page, and are downloaded as a file first.", "soft")],
    [["Put mine on top", desk.saving.mineOnTop, true],
      ["Take theirs", () => { desk.orderPane.saveDrawing(); desk.saving.takeTheirs(); }],
      ["Decide later", null]]);
  };

  /* ------------------------------------------------------------------ revisions */

  const showRevisions = async () => {
    let answer;
    try { answer = await get("/api/revisions"); } catch (error) { desk.saving.trouble(error); say("The program does not answer."); return; }
    const list = make("ol", undefined, "list revisions");
    const all = [...answer.revisions].sort((a, b) => b.number - a.number);
    all.slice(0, 500).forEach((revision) => {
      const item = make("li"), words = make("span", undefined, "words");
      words.append(make("strong", `${revision.number} `), userText("span", revision.what), make("br"), userText("span", `${revision.who}, ${when(revision.when)}`, "soft"));
      item.append(words);
      if (revision.number !== all[0].number) {
        const back = button("Go back to this", () => { $("dialog").close(); desk.saving.back(revision.number, `Back to revision ${revision.number}`); }, "small");
        back.setAttribute("aria-label", `Go back to revision ${revision.number}`);
        back.disabled = Boolean(state.readOnly) || desk.saving.waiting() > 0;
        item.append(back);
      } else { item.append(make("span", "now", "soft")); }
      list.append(item);
    });
    ask("Revisions", [make("p", "Nothing is ever lost: going back makes a new revision with the old content.", "soft"), list], [["Close", null]]);
  };

  const refusedSay = (told) => {
    if (!told) { return; }
    const text = told.faults.map((fault) => [fault.where, fault.what, fault.mend].filter(Boolean).join(" ")).join(" ");
    say(`Not saved. ${text}`);
    if (!told.kept) { ask("That could not be done", [userText("p", told.entry.what), userText("p", text)], [["Good", null, true]]); }
  };

  const build = () => {
    on("saving", showSaving);
    on("conflict", conflict);
    on("refused", refusedSay);
    on("trouble", (error) => say(error.message));
    on("followed", (head) => say(head.what ? `${head.who || "Somebody"} saved: ${head.what}` : "The site was changed elsewhere; this is how it is now."));
    $("undo").addEventListener("click", () => { desk.edit.settle(); if (desk.edit.dragging()) { desk.edit.giveUp(); return; } const what = desk.saving.undo(); if (what) { say(`Undone: ${what}`); } });
    $("redo").addEventListener("click", () => { desk.edit.settle(); if (desk.edit.dragging()) { return; } const what = desk.saving.redo(); if (what) { say(`Done again: ${what}`); } });
    $("history").addEventListener("click", showRevisions);
    /* a page that is closed with edits waiting says so first; they are kept all the same */
    addEventListener("beforeunload", (event) => { if (desk.saving.waiting() && desk.saving.halted()) { event.preventDefault(); } });
  };
  desk.talk = { build };
})();
