/* What a page left behind: queues of tabs that are gone, and edits that were sent and not answered. */
"use strict";
(() => {
  const { keep, boxOf } = desk;
  const { get } = desk.net;
  const { ready } = desk.store;
  const NEAR = 3e-10, PAD = 1e-6;      /* degrees: the tenth decimal may round either way */

  /* ------------------------------------------------------------------ is it saved already? */

  const sameRing = (a, b) => a.length === b.length && a.every((p, i) => Math.abs(p[0] - b[i][0]) <= NEAR && Math.abs(p[1] - b[i][1]) <= NEAR);
  const holds = (stored, change) => {
    if (change.op === "island") { return stored.rings.some((ring) => sameRing(ring, change.ring)); }
    const worded = ([key, value]) => String(stored.attributes[key] ?? "") === String(value ?? "");
    return stored.rings.length === change.rings.length && stored.rings.every((ring, i) => sameRing(ring, change.rings[i]))
      && (!change.name || stored.name === change.name) && Object.entries(change.attributes || {}).every(worded);
  };
  /* The features an edit put, as the program holds them; null where it does not hold all of them so. */
  const stored = async (entry) => {
    const put = entry.changes.filter(({ op }) => op === "put" || op === "island");
    if (!put.length) { return []; }
    const [west, south, east, north] = boxOf(put.flatMap((change) => change.rings || [change.ring]));
    const answer = await get(`/api/features?bbox=${[west - PAD, south - PAD, east + PAD, north + PAD].map((v) => v.toFixed(8)).join(",")}`);
    const there = answer.features.map(ready), used = new Set();
    const found = put.map((change) => {
      const fits = there.filter((feature) => feature.role === (change.role || "beds") && (change.local || feature.id === change.id) && !used.has(feature.key) && holds(feature, change));
      const newest = fits[fits.length - 1];
      if (newest) { used.add(newest.key); }
      return newest;
    });
    return found.every(Boolean) ? found : null;
  };
  /* An edit went out on revision `base` and no answer came back: it may be saved all the same.  It is,
     when the next revision is ours and what it put is there; then the answer that was lost. */
  const arrived = async (entry, base, who) => {
    const { revisions } = await get("/api/revisions");
    const next = revisions.find(({ number }) => number === base + 1);
    const same = next && next.who === who && (entry.to ? next.back_to === entry.to : entry.mode === "undo" || next.what === entry.what);
    const features = !same ? null : entry.mode === "edit" ? await stored(entry) : [];
    if (!features) { return null; }
    const head = await get("/api/head");
    /* where more was saved since, what waits behind it has a conflict of its own to settle */
    return { revision: next.number, etag: head.revision === next.number ? head.etag : "", reload: true, features };
  };

  /* ------------------------------------------------------------------ queues nobody holds */

  const alone = (act) => (navigator.locks ? navigator.locks.request(keep.name("taking up"), act) : act());
  const read = (name) => { try { return JSON.parse(localStorage.getItem(name)); } catch { return null; } };
  /* Queues of this site that no living tab holds: of this tab before a reload, or of one that died.  The
     one begun on the oldest revision first; `take` answers whether it may, and calls `gone` before it puts
     it into its own keeping.  Answers whether others are left: each was made on a plan of its own and is
     settled by itself. */
  const takeUp = (mine, take) => alone(async () => {
    const prefix = keep.name("queue ");
    let names = [];
    try { names = Object.keys(localStorage).filter((name) => name.startsWith(prefix) && name !== keep.name(mine)); } catch { return false; }
    const held = navigator.locks ? new Set((await navigator.locks.query()).held.map((lock) => lock.name)) : new Set();
    const left = names.filter((name) => !held.has(name)).map((name) => ({ name, was: read(name) })).filter(({ was }) => was)
      .sort((a, b) => a.was.base - b.was.base);
    while (left.length) {
      const { name, was } = left.shift(), more = Boolean(was.entries && was.entries.length);
      if (!take(was, () => localStorage.removeItem(name))) { return true; }
      if (more) { break; }
    }
    return left.length > 0;
  });

  desk.kept = { arrived, takeUp };
})();
