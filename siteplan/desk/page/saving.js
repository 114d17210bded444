/* Saving by itself: edits stand in a queue, in the page and in the browser's store, until the
 * program has them on its disk.  Nothing is dropped but by the person's own choice.
 */
"use strict";
(() => {
  const { state, tell, keep, say } = desk;
  const { NoAnswer, Refused, get, post } = desk.net;
  const { features, put, keyOf, plan, look, keepUp } = desk.store;
  const STEPS = 200;

  const tab = `${Date.now().toString(36)}-${Math.floor(Math.random() * 1e9).toString(36)}`;
  const mine = `queue ${tab}`;
  let queue = [];                 /* {what, changes, touched:[{key, before, after}], mode, of, item} */
  let halt = null;                /* why the queue stands still: {kind, text, ...} */
  let busy = false, retry = 0, unkept = false;
  /* {what, before, revision, last}: an edit's own revision, the one whose content was there before it, and
     the newest revision that did or undid it; oldest first */
  let undos = [], redos = [];
  let content = 0;                /* the first revision that had the content the head has now */
  const refusals = new Map();     /* key of a feature: the faults for which it was not saved */

  /* ------------------------------------------------------------------ what is waiting, kept */

  const plain = (entry) => (entry.mode === "edit" ? { ...entry, item: undefined } : entry);
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
  desk.on("fetched", onTop);

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

  const onTheWire = ({ local, ...change }) => (local ? { ...change, id: null } : change);
  /* Undoing the newest edit goes back to the content before it.  Where somebody else has saved since,
     the edit's own changes alone are taken back. */
  const wayBack = ({ item, redo }) => (content === (redo ? item.before : item.revision) ? (redo ? item.revision : item.before) : null);
  const question = (entry) => {
    const headers = { "If-Match": state.etag }, base = state.revision;
    if (entry.mode === "edit") { return post("/api/edit", { base, what: entry.what, changes: entry.changes.map(onTheWire) }, { headers }); }
    if (entry.mode === "undo") { entry.to = wayBack(entry); }
    return entry.to ? post("/api/back", { base, to: entry.to }, { headers })
      : post("/api/undo", { base, revision: entry.item.last }, { headers });
  };

  const whole = (entry) => entry.mode !== "edit" || entry.changes.some((change) => !["put", "tape", "drop_tape"].includes(change.op));

  /* a new feature has its id from the program now: what waits behind it speaks of it by that id */
  const rename = (from, to) => {
    const renamed = (key) => (key === from ? keyOf(to) : key);
    queue.forEach((entry) => {
      entry.touched = entry.touched.map(({ key, before, after }) => ({ key: renamed(key),
        before: before && keyOf(before) === from ? { ...before, id: to.id } : before,
        after: after && keyOf(after) === from ? { ...after, id: to.id } : after }));
      entry.changes = (entry.changes || []).map((change) =>
        (change.local && `${change.role} ${change.local}` === from ? { ...change, id: to.id, local: undefined }
          : change.ids ? { ...change, ids: change.ids.map((id) => (`${change.role} ${id}` === from ? to.id : id)) }
            : change.id && `${change.role || "beds"} ${change.id}` === from ? { ...change, id: to.id } : change));
    });
    if (state.chosen === from) { state.chosen = keyOf(to); }
    features.delete(from);
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
    const waiting = new Set(queue.flatMap((later) => later.touched.map(({ key }) => key)));
    (answer.features || []).forEach((feature) => { if (!waiting.has(keyOf(feature))) { put(feature); } });
    entry.touched.forEach(({ key }) => refusals.delete(key));
    persist();
    if (whole(entry) || answer.reload || !answer.plan) { look({ afresh: true }); }
    else {
      keepUp(before, state.revision);
      if (!queue.length) { plan.over(answer.plan, answer.affected || []); }
    }
    tell("features");
    tell("saved", { entry, answer });
  };

  /* The last try went out and no answer came back: it may be saved all the same.  It is, when the
     newest revision is the next one and holds what was sent. */
  const arrived = async (entry) => {
    const { revisions } = await get("/api/revisions");
    const head = revisions.reduce((a, b) => (a.number > b.number ? a : b));
    const same = entry.to ? head.back_to === entry.to : entry.mode === "undo" || head.what === entry.what;
    return head.number === state.revision + 1 && same && head.who === state.site.who ? get("/api/head") : null;
  };

  const refused = (entry, error) => {
    const faults = error.body.faults || [{ what: error.message }];
    queue.shift();
    if (entry.mode === "edit") { undos = undos.filter((item) => item !== entry.item); }
    const kept = entry.mode === "edit" && entry.touched.length > 0 && entry.changes.every((change) => change.op === "put");
    if (kept) { entry.touched.forEach(({ key, before, after }) => { refusals.set(key, { faults, after, before: refusals.has(key) ? refusals.get(key).before : before }); }); }
    else { unapply(entry); }
    persist();
    tell("refused", { entry, faults, kept });
    tell("features");
  };

  const pump = async () => {
    if (busy || halt || state.readOnly) { return; }
    busy = true;
    while (queue.length && !halt) {
      const entry = queue[0];
      show();
      if (entry.mode === "undo" && !entry.item.revision) { queue.shift(); continue; }      /* that edit was refused */
      entry.sent = true;
      try { settled(entry, await question(entry)); }
      catch (error) {
        if (error instanceof NoAnswer) { entry.unsure = true; persist(); offline(); break; }
        if (!(error instanceof Refused)) { throw error; }
        if (error.status === 412) {
          try {
            const there = entry.unsure && await arrived(entry);
            if (there) { settled(entry, { ...there, reload: true, features: [] }); continue; }
          } catch (trouble) { if (trouble instanceof NoAnswer) { offline(); break; } }
          entry.sent = false;
          conflict(error.body);
        } else if (error.status >= 400 && error.status < 500 && error.status !== 403) { refused(entry, error); }
        else {
          entry.sent = false;
          const text = error.body.why || error.message;
          stop(error.status === 507 ? "disk" : "stumbled", text, { text });
          again(5000);
        }
      }
    }
    busy = false;
    show();
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
      }
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
  const follow = async (head) => {
    state.revision = head.revision;
    state.etag = head.etag;
    content = head.revision;
    persist();
    await look({ afresh: true });
    tell("followed", head);
  };

  /* ------------------------------------------------------------------ doing, undoing */

  const act = (what, changes, touched = []) => {
    const item = { what };
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
  };
  const turn = (from, redo) => {
    const item = from.pop();
    if (!item) { return null; }
    const last = queue[queue.length - 1];
    if (last && last.item === item && !last.sent) {
      /* it has not left the page: it simply is not done */
      queue.pop();
      unapply(last);
      redos.push({ what: item.what, entry: last });
      tell("features");
    } else if (redo && item.entry) {
      const fresh = { what: item.what };
      queue.push({ ...item.entry, item: fresh, sent: false });
      undos.push(fresh);
      apply(item.entry);
      tell("features");
    } else {
      queue.push({ mode: "undo", what: item.what, item, redo, touched: [] });
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
    tell("features"); tell("refused", null); show();
  };

  /* ------------------------------------------------------------------ a conflict, settled */

  const mineOnTop = async () => {
    const head = await get("/api/head");
    state.revision = head.revision; state.etag = head.etag;
    content = head.revision;
    halt = null;
    queue.forEach((entry) => { entry.sent = false; entry.unsure = false; });
    persist();
    await look({ afresh: true });
    pump();
  };
  const takeTheirs = async () => {
    const head = await get("/api/head");
    keep.set("set aside", { when: new Date().toISOString(), entries: queue.map(plain) });
    const dropped = new Set(queue.map((entry) => entry.item));
    undos = undos.filter((item) => !dropped.has(item));
    queue = [];
    halt = null;
    await follow(head);
    show();
  };

  /* ------------------------------------------------------------------ opening the page */

  /* queues of this site that no living tab holds: of this tab before a reload, or of one that died */
  const orphans = async () => {
    const prefix = keep.name("queue ");
    let names = [];
    try { names = Object.keys(localStorage).filter((name) => name.startsWith(prefix)); } catch { return; }
    const held = navigator.locks ? new Set((await navigator.locks.query()).held.map((lock) => lock.name)) : new Set();
    names.filter((name) => !held.has(name) && name !== keep.name(mine)).forEach((name) => {
      try {
        const left = JSON.parse(localStorage.getItem(name));
        (left.drafts || []).forEach(([key, draft]) => refusals.set(key, draft));
        if (left && left.entries && left.entries.length) {
          state.revision = left.base;
          state.etag = left.etag;
          queue.push(...left.entries.map((entry) => ({ ...entry, unsure: Boolean(entry.sent), sent: false, item: entry.mode === "edit" ? { what: entry.what } : entry.item })));
        }
        localStorage.removeItem(name);
      } catch { /* not ours to read */ }
    });
    undos.push(...queue.filter((entry) => entry.mode === "edit").map((entry) => entry.item));
  };
  const open = async () => {
    if (navigator.locks) { navigator.locks.request(keep.name(mine), () => new Promise(() => {})); }
    const steps = keep.get("steps", sessionStorage);
    content = steps && steps.revision === state.revision ? steps.content : state.revision;
    if (steps && steps.revision <= state.revision) {
      undos = steps.undos.filter((item) => item.revision);
      redos = steps.redos.filter((item) => item.revision);
    }
    await orphans();
    onTop();
    if (queue.length || refusals.size) { persist(); }
    if (queue.length) { say(`${queue.length} edits from before wait to be saved`); }
    show();
    pump();
  };

  const heartbeat = async () => {
    if (document.hidden || busy || halt || queue.length || !state.site || desk.dragging) { return; }
    try {
      const head = await get("/api/head", { wait: 5000 });
      if (head.revision !== state.revision && !queue.length && !busy && !desk.dragging) { await follow(head); show(); }
    } catch (error) { trouble(error); }
  };

  desk.saving = {
    act, undo, redo, back, open, resume, trouble, heartbeat, mineOnTop, takeTheirs, letGo, leaveOut, status, show, refusals,
    waiting: () => queue.length, canUndo: () => undos.length > 0, canRedo: () => redos.length > 0, halted: () => halt,
    nextUndo: () => undos[undos.length - 1]?.what || "", nextRedo: () => redos[redos.length - 1]?.what || "",
    entries: () => queue,
  };
})();
