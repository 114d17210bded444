/* Saving by itself: edits stand in a queue, in the page and in the browser's store, until the
 * program has them on its disk.  Nothing is dropped but by the person's own choice.
 */
"use strict";
(() => {
  const { state, tell, keep, say } = desk;
  const { NoAnswer, Refused, get } = desk.net;
  const { features, put, keyOf, plan, look, keepUp } = desk.store;
  const { question, whole, plain, reshaped, changesOf, renamedIn, about, takenUp } = desk.edits;
  const { arrived, takeUp } = desk.kept;
  const STEPS = 200;

  const tab = `${Date.now().toString(36)}-${Math.floor(Math.random() * 1e9).toString(36)}`;
  const mine = `queue ${tab}`;
  let queue = [];                 /* {what, changes, touched:[{key, before, after}], mode, of, item} */
  let halt = null;                /* why the queue stands still: {kind, text, ...} */
  let busy = false, retry = 0, unkept = false;
  /* {what, keys, before, revision, last}: the features it is about, an edit's own revision, the one whose content was there before it, and
     the newest revision that did or undid it; oldest first */
  let undos = [], redos = [];
  let content = 0;                /* the first revision that had the content the head has now */
  const refusals = new Map();     /* key of a feature: the faults for which it was not saved */

  /* ------------------------------------------------------------------ what is waiting, kept */

  const persist = () => {
    if (!state.site) { return; }
    if (queue.length || refusals.size) {
      unkept = !keep.set(mine, { base: state.revision, etag: state.etag, entries: queue.map(plain), drafts: [...refusals] });
    } else { keep.drop(mine); unkept = false; }
    keep.set("steps", { undos, redos, content, revision: state.revision }, sessionStorage);
  };
  const apply = (entry) => {
    entry.touched.forEach(({ key, after }) => { if (after) { put(after); } else { features.delete(key); } });
  };
  const unapply = (entry) => {
    entry.touched.forEach(({ key, before }) => { if (before) { put(before); } else { features.delete(key); } });
  };
  /* what was fetched is older than what waits here, and than a drawing that was refused */
  const onTop = () => {
    refusals.forEach(({ after }) => put(after));
    queue.forEach(apply);
  };
  desk.on("fetched", () => { unseen = () => false; onTop(); });

  /* ------------------------------------------------------------------ what may be built on

     A put carries whole outlines.  It must not go out behind something that changes the outline in the
     program alone, an island, a split, an undo: it would bring the old one back. */

  let unseen = () => false;      /* of a feature: was it changed elsewhere, and has not been fetched since? */
  /* the outline in the page is older than what waits, or than what the program holds */
  const behind = (key) => unseen(key) || queue.some((entry) => changesOf(entry)(key));

  /* ------------------------------------------------------------------ the state everybody sees */

  const status = () => {
    if (state.readOnly) { return { state: "not", text: `Not saved: ${state.readOnly}` }; }
    if (halt) { return { state: "not", text: `Not saved: ${halt.short}` }; }
    if (refusals.size) { return { state: "not", text: `Not saved: ${refusals.size === 1 ? "one outline has" : `${refusals.size} outlines have`} a fault` }; }
    if (desk.dragging) { return { state: "saving", text: "Saved when you let go" }; }
    if (queue.length) { return { state: "saving", text: queue.length > 1 ? `Saving ${queue.length} edits` : "Saving" }; }
    return { state: "saved", text: `Saved, revision ${state.revision}` };
  };
  const show = () => tell("saving", { ...status(), halt, waiting: queue.length, unkept });

  const stop = (kind, short, more = {}) => {
    const fresh = !halt || halt.kind !== kind;
    halt = { kind, short, ...more };
    if (fresh) { say(`Not saved: ${short}`); }
    show();
  };
  const again = (wait) => { clearTimeout(retry); retry = setTimeout(() => resume(), wait); };

  /* ------------------------------------------------------------------ sending */

  /* a new feature has its id from the program now: what waits behind it speaks of it by that id */
  const rename = (from, to) => {
    [...undos, ...redos].forEach((item) => { item.keys = item.keys && item.keys.map((key) => (key === from ? keyOf(to) : key)); });
    /* also of what was taken back before it went out: it may be done again */
    [...queue, ...redos.map((item) => item.entry).filter(Boolean)].forEach((entry) => renamedIn(entry, from, to));
    if (state.chosen === from) { state.chosen = keyOf(to); }
    features.delete(from);
    put(to);
    onTop();
    tell("renamed", { from, to: keyOf(to), id: to.id });
  };

  const settled = (entry, answer) => {
    const before = state.revision;
    state.revision = answer.revision;
    state.etag = answer.etag;
    queue.shift();
    if (entry.mode === "edit") {
      Object.assign(entry.item, { before: content, revision: answer.revision, last: answer.revision });
      content = answer.revision;
      (entry.changes || []).filter((change) => change.local).forEach((change, i) => {
        const stored = (answer.features || []).filter((feature) => feature.role === change.role)[i];
        if (stored) { rename(`${change.role} ${change.local}`, stored); }
      });
    } else {
      content = entry.to || answer.revision;
      if (entry.mode === "undo") { entry.item.last = answer.revision; (entry.redo ? undos : redos).push(entry.item); }
    }
    (answer.dropped || []).forEach((gone) => features.delete(keyOf(gone)));
    if (entry.mode === "edit") { entry.item.keys = [...new Set([...entry.item.keys, ...[...(answer.features || []), ...(answer.dropped || [])].map(keyOf)])]; }
    else { unseen = changesOf(entry); }
    const waiting = new Set(queue.flatMap((later) => later.touched.map(({ key }) => key)));
    (answer.features || []).forEach((feature) => { if (!waiting.has(keyOf(feature))) { put(feature); } });
    entry.touched.forEach(({ key }) => refusals.delete(key));
    persist();
    if (whole(entry) || answer.reload || !answer.plan) { look({ afresh: true }); }
    else {
      keepUp(before, state.revision);
      plan.over(answer.plan, answer.affected || []);
    }
    tell("features");
    tell("saved", { entry, answer });
  };

  const refused = (entry, error) => {
    const faults = error.body.faults || [{ what: error.message }];
    queue.shift();
    if (entry.mode === "edit") { undos = undos.filter((item) => item !== entry.item); }
    const kept = entry.mode === "edit" && entry.touched.length > 0 && entry.changes.every((change) => change.op === "put");
    if (kept) { entry.touched.forEach(({ key, before, after }) => { refusals.set(key, { faults, after, before: refusals.has(key) ? refusals.get(key).before : before }); }); }
    else { unapply(entry); }
    persist();
    look({ afresh: true });      /* the pieces of a try are not how it is saved */
    tell("refused", { entry, faults, kept });
    tell("features");
  };

  /* an edit that was not answered with success: is it there, is it to wait, or is it no edit at all? */
  const failed = async (entry, error) => {
    if (error instanceof NoAnswer) { entry.unsure = true; persist(); offline(); return; }
    const { status } = error;
    if (status === 412) {
      let there = null;
      try { there = entry.unsure && await arrived(entry, state.revision, state.site.who); }
      catch (trouble) {
        if (trouble instanceof NoAnswer) { offline(); return; }
        if (!(trouble instanceof Refused)) { throw trouble; }
      }
      if (there) { settled(entry, there); return; }
      entry.sent = false;
      conflict(error.body);
    } else if (status >= 400 && status < 500 && status !== 403) { refused(entry, error); }
    else {
      entry.sent = false;
      const text = error.body.why || error.message;
      stop(status === 507 ? "disk" : "stumbled", text, { text });
      persist();
      again(5000);
    }
  };
  const send = async (entry) => {
    entry.sent = true;
    persist();      /* over a reload it is known that it went out */
    let answer;
    try { answer = await question(entry, content); }
    catch (error) {
      if (!(error instanceof NoAnswer) && !(error instanceof Refused)) { throw error; }
      await failed(entry, error);
      return;
    }
    settled(entry, answer);
  };
  const pump = async () => {
    if (busy || halt || state.readOnly) { return; }
    busy = true;
    try {
      while (queue.length && !halt) {
        const entry = queue[0];
        show();
        if (entry.mode === "undo" && !entry.item.revision) { queue.shift(); continue; }      /* that edit was refused */
        await send(entry);
      }
    } catch (mistake) {
      /* a mistake of ours: it is seen, and the edits wait */
      stop("stumbled", mistake.message, { text: mistake.message });
      again(5000);
      throw mistake;
    } finally {
      busy = false;
      show();
    }
    if (queue.length) { return; }
    look();
    if (others) { takeLeft(); }
  };

  const offline = () => {
    stop("silent", "the program does not answer");
    again(1500);
  };
  const conflict = (body) => {
    stop("conflict", `${body.who || "somebody"} saved another change`, { by: body });
    tell("conflict", body);
  };
  /* try again: is the program there, is it the same site, is the head where it was? */
  const resume = async () => {
    clearTimeout(retry);
    if (halt && halt.kind === "conflict") { return; }
    try {
      const head = await get("/api/head", { wait: 4000 });
      const fresh = await get("/api/site", { wait: 10_000 });
      if (fresh.key !== state.site.key) {
        stop("other", "another site is served at this address", { text: `The program at this address serves “${fresh.name}” now.` });
        again(5000);
        return;
      }
      state.readOnly = fresh.can_write ? "" : fresh.why_not || "the site cannot be written";
      const was = halt;
      halt = null;
      if (!queue.length) {
        if (head.revision !== state.revision) { await follow(head); }
        else if (was && was.kind === "silent") { look({ afresh: true }); }
      } else { look(); }
      if (was && was.kind === "silent") { say("The program answers again"); }
      show();
      pump();
    } catch (error) {
      if (error instanceof NoAnswer) { offline(); } else { stop("disk", error.message, { text: error.message }); again(5000); }
    }
  };
  /* the edit at the head of the queue is one the program stumbles over: the person may leave it out */
  const leaveOut = () => {
    const entry = queue.shift();
    if (entry) { unapply(entry); undos = undos.filter((item) => item !== entry.item); }
    halt = null;
    persist();
    look({ afresh: true });
    tell("features");
    show();
    pump();
  };
  /* a request that is not an edit failed: is the program gone? */
  const trouble = (error) => {
    if (error instanceof NoAnswer) { if (!halt) { offline(); } }
    else { tell("trouble", error); }
  };

  /* somebody else saved, and nothing of ours waits: show theirs */
  const follow = (head) => { unseen = () => true; return look({ afresh: true, head }); };
  desk.on("followed", (head) => { content = head.revision; persist(); show(); });

  /* ------------------------------------------------------------------ doing, undoing */

  /* Do an edit; false where it cannot be done now, and the person is told why. */
  const act = (what, changes, touched = []) => {
    const puts = changes.some(({ op }) => op === "put") ? touched.filter(({ before }) => before) : [];
    const why = puts.some(({ key }) => behind(key)) ? "Another change of the same outline is still being saved. Do this once more when it is."
      : reshaped(changes).some((key) => refusals.has(key)) ? "Its outline has a fault and is not saved. Mend that first, then do this once more." : "";
    if (why) {
      look({ afresh: true });
      tell("refused", { entry: { what }, faults: [{ what: why }], kept: false });
      tell("features");
      return false;
    }
    const item = { what, keys: about({ changes, touched }) };
    const entry = { mode: "edit", what, changes, touched, item };
    queue.push(entry);
    undos.push(item);
    undos = undos.slice(-STEPS);
    redos = [];
    touched.forEach(({ key }) => { if (refusals.has(key)) { entry.touched = entry.touched.map((t) => (t.key === key ? { ...t, before: refusals.get(key).before } : t)); } });
    apply(entry);
    persist();
    tell("features");
    show();
    pump();
    return true;
  };
  const turn = (from, redo) => {
    const item = from.pop();
    if (!item) { return null; }
    const last = queue[queue.length - 1];
    if (last && last.item === item && !last.sent) {
      /* it has not left the page: it simply is not done */
      queue.pop();
      unapply(last);
      redos.push({ what: item.what, keys: item.keys, entry: last });
      look({ afresh: true });      /* the pieces of its tries go too */
      tell("features");
    } else if (redo && item.entry) {
      const fresh = { what: item.what, keys: item.keys };
      queue.push({ ...item.entry, item: fresh, sent: false, unsure: false });
      undos.push(fresh);
      apply(item.entry);
      tell("features");
    } else {
      queue.push({ mode: "undo", what: item.what, item, redo, touched: [] });
      tell("features");
    }
    persist();
    show();
    pump();
    return item.what;
  };
  const undo = () => turn(undos, false);
  const redo = () => turn(redos, true);
  const back = (to, what) => {
    queue.push({ mode: "back", to, what, touched: [] });
    undos = []; redos = [];
    persist(); show(); pump();
  };
  /* leave a drawing with a fault as it last was saved */
  const letGo = (key) => {
    const refusal = refusals.get(key);
    refusals.delete(key);
    if (refusal && refusal.before) { put(refusal.before); } else { features.delete(key); }
    persist();
    look({ afresh: true });
    tell("features"); tell("refused", null); show();
  };

  /* ------------------------------------------------------------------ a conflict, settled */

  /* the choice stays open where the program is not there to hear it */
  const choosing = (choose) => async () => {
    try { await choose(await get("/api/head")); } catch (error) { if (!(error instanceof NoAnswer)) { throw error; } say("The program does not answer. Choose again when it does."); }
  };
  const mineOnTop = choosing(async (head) => {
    state.revision = head.revision; state.etag = head.etag;
    content = head.revision;
    halt = null;
    queue.forEach((entry) => { entry.sent = false; entry.unsure = false; });
    persist();
    unseen = () => true;
    await look({ afresh: true });
    pump();
  });
  const takeTheirs = choosing(async (head) => {
    const dropped = new Set(queue.map((entry) => entry.item));
    undos = undos.filter((item) => !dropped.has(item));
    queue = [];
    halt = null;
    await follow(head);
    persist();
    show();
    if (others) { takeLeft(); }
  });

  /* ------------------------------------------------------------------ opening the page */

  let others = false;      /* queues of other tabs that died wait behind this one */
  const takeLeft = async () => {
    others = await takeUp(mine, (left, gone) => {
      if (queue.length || busy || halt) { return false; }
      gone();
      (left.drafts || []).forEach(([key, draft]) => refusals.set(key, draft));
      if (left.entries && left.entries.length) {
        state.revision = left.base;
        state.etag = left.etag;
        queue = left.entries.map(takenUp);
        undos.push(...queue.filter((entry) => entry.mode === "edit").map((entry) => entry.item));
        say(`${queue.length} edits from before wait to be saved`);
      }
      onTop();
      persist();
      return true;
    }) || queue.length > 0;
    if (!queue.length) { return; }
    tell("features");
    pump();
  };
  const open = async () => {
    if (navigator.locks) { navigator.locks.request(keep.name(mine), () => new Promise(() => {})); }
    const steps = keep.get("steps", sessionStorage);
    content = steps && steps.revision === state.revision ? steps.content : state.revision;
    if (steps && steps.revision <= state.revision) {
      undos = steps.undos.filter((item) => item.revision);
      redos = steps.redos.filter((item) => item.revision);
    }
    await takeLeft();
    show();
  };

  const heartbeat = async () => {
    if (document.hidden || busy || halt || queue.length || !state.site || desk.dragging) { return; }
    try {
      const head = await get("/api/head", { wait: 5000 });
      if (head.etag !== state.etag && !queue.length && !busy && !desk.dragging) { await follow(head); }
    } catch (error) { trouble(error); }
  };

  desk.saving = {
    act, undo, redo, back, open, resume, trouble, heartbeat, mineOnTop, takeTheirs, letGo, leaveOut, show, refusals, behind,
    waiting: () => queue.length, canUndo: () => undos.length > 0, canRedo: () => redos.length > 0, halted: () => halt,
    nextUndo: () => undos[undos.length - 1]?.what || "", nextRedo: () => redos[redos.length - 1]?.what || "",
    entries: () => queue,
  };
})();
