/* An edit as it waits: {mode: edit | undo | back, what, changes, touched:[{key, before, after}], item, sent, unsure}. */
"use strict";
(() => {
  const { state } = desk;
  const { post } = desk.net;
  const { keyOf } = desk.store;

  const onTheWire = ({ local, ...change }) => (local ? { ...change, id: null } : change);
  /* Undoing the newest edit goes back to the content before it.  Where somebody else has saved since,
     the edit's own changes alone are taken back. */
  const wayBack = ({ item, redo }, content) => (content === (redo ? item.before : item.revision) ? (redo ? item.revision : item.before) : null);
  /* `content`: the first revision that had the content the head has */
  const question = (entry, content) => {
    const headers = { "If-Match": state.etag }, base = state.revision;
    if (entry.mode === "edit") { return post("/api/edit", { base, what: entry.what, changes: entry.changes.map(onTheWire) }, { headers }); }
    if (entry.mode === "undo") { entry.to = wayBack(entry, content); }
    return entry.to ? post("/api/back", { base, to: entry.to }, { headers })
      : post("/api/undo", { base, revision: entry.item.last }, { headers });
  };
  /* more of the plan may differ afterwards than the answer names */
  const whole = (entry) => entry.mode !== "edit" || entry.changes.some((change) => !["put", "tape", "drop_tape"].includes(change.op));
  /* as the browser keeps it */
  const plain = (entry) => (entry.mode === "edit" ? { ...entry, item: undefined } : entry);

  /* outlines that only the program changes: the page does not know how, until it is told */
  const reshaped = (changes) => changes.filter(({ op }) => ["island", "split", "merge"].includes(op))
    .flatMap((change) => (change.ids || [change.id]).map((id) => `${change.role || "beds"} ${id}`));
  /* does it change this feature without the page's knowing?  Where nobody can tell it may be any. */
  const changesOf = (entry) => {
    const keys = entry.mode === "edit" ? reshaped(entry.changes) : entry.mode === "undo" ? entry.item.keys : null;
    return (key) => !keys || keys.includes(key);
  };

  /* keys of the features it is about */
  const about = ({ changes, touched }) => [...touched.map(({ key }) => key), ...reshaped(changes)];
  /* from the store of a page that is gone: it may have been sent */
  const takenUp = (entry) => ({ ...entry, unsure: Boolean(entry.sent || entry.unsure), item: entry.mode === "edit" ? { what: entry.what, keys: about(entry) } : entry.item });

  /* what speaks of a new feature by the page's own word speaks of it by its id */
  const renamedIn = (entry, from, to) => {
    const named = (feature) => (feature && keyOf(feature) === from ? { ...feature, id: to.id, fresh: undefined } : feature);
    entry.touched = entry.touched.map(({ key, before, after }) => ({ key: key === from ? keyOf(to) : key, before: named(before), after: named(after) }));
    entry.changes = (entry.changes || []).map((change) =>
      (change.local && `${change.role} ${change.local}` === from ? { ...change, id: to.id, local: undefined }
        : change.ids ? { ...change, ids: change.ids.map((id) => (`${change.role} ${id}` === from ? to.id : id)) }
          : change.id && `${change.role || "beds"} ${change.id}` === from ? { ...change, id: to.id } : change));
  };

  desk.edits = { question, about, takenUp, whole, plain, reshaped, changesOf, renamedIn };
})();
