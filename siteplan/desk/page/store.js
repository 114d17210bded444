/* What the page holds of the site: the drawn features in view, and the plan laid along them. */
"use strict";
(() => {
  const { state, tell, map, boxOf, flat, on } = desk;
  const { bytes, ints, counts, mapX, mapY, extent, cellIndex } = siteplanDraw;
  const { get } = desk.net;
  const OUTER = 0, ISLAND = 1, LINE = 2, POINT = 3;

  const features = new Map();      /* by key, such as "beds F1" */
  const keyOf = (feature) => `${feature.role} ${feature.id}`;
  const same = (a, b) => a[0] === b[0] && a[1] === b[1];
  const ready = (raw) => {
    const kinds = raw.kinds || raw.rings.map((ring, i) => (raw.kind === "line" ? LINE : raw.kind === "point" ? POINT : i ? ISLAND : OUTER));
    /* rings are kept open: the last vertex is not the first one again */
    const rings = raw.rings.map((ring, i) =>
      (kinds[i] <= ISLAND && ring.length > 1 && same(ring[0], ring[ring.length - 1]) ? ring.slice(0, -1) : ring));
    const box = boxOf(rings);
    return { ...raw, kinds, rings, key: keyOf(raw), attributes: raw.attributes || {}, box,
      flat: rings.map(flat), edge: [mapX(box[0]), mapY(box[3]), mapX(box[2]), mapY(box[1])] };
  };
  const put = (raw) => { const feature = ready(raw); features.set(feature.key, feature); return feature; };
  /* what goes back to the program, and what the browser keeps of it */
  const bare = ({ role, id, name, kind, rings, kinds, attributes }) => ({ role, id, name, kind, rings, kinds, attributes });

  /* ------------------------------------------------------------------ the plan, as layers

     The first layer is what was fetched for the view.  A try or an edit answers with the beds it
     touches alone: they hide their older selves in the layers below. */

  const readPieces = (raw) => {
    if (!raw) { return null; }
    const packed = ints(raw.ring), ends = counts(raw.offsets), n = ends.length - 1;
    const x = new Float64Array(packed.length / 2), y = new Float64Array(packed.length / 2);
    for (let i = 0; i < x.length; i += 1) {
      x[i] = mapX(raw.base[0] + packed[2 * i] * raw.scale);
      y[i] = mapY(raw.base[1] + packed[2 * i + 1] * raw.scale);
    }
    const mx = new Float64Array(n), my = new Float64Array(n), size = new Float64Array(n);
    let reach = 0;
    for (let i = 0; i < n; i += 1) {
      const box = extent(x, y, ends[i], ends[i + 1]);
      mx[i] = (box[0] + box[2]) / 2; my[i] = (box[1] + box[3]) / 2;
      size[i] = Math.hypot(box[2] - box[0], box[3] - box[1]);
      reach = Math.max(reach, (box[2] - box[0]) / 2, (box[3] - box[1]) / 2);
    }
    return { n, at: { x, y }, ends, middle: { x: mx, y: my }, reach, kind: bytes(raw.kind), ids: raw.id,
      bedOf: counts(raw.bed), beds: raw.beds, usual: n ? size.slice().sort()[Math.floor(n / 2)] : 0, near: cellIndex(mx, my) };
  };
  const readLine = (item) => {
    const at = flat(item.line);
    return { ...item, at, edge: extent(at.x, at.y, 0, at.x.length) };
  };
  const readPlan = (raw, beds) => ({
    beds,                                   /* the beds it is about; null is all in view */
    hidden: new Set(),
    runs: (raw.runs || []).map(readLine), unmet: (raw.unmet || []).map(readLine), legs: (raw.legs || []).filter((leg) => leg.line).map((leg) => ({ ...readLine(leg), label: { x: mapX(leg.at[0]), y: mapY(leg.at[1]) } })),
    corners: (raw.corners || []).map((corner) => ({ ...corner, x: mapX(corner.at[0]), y: mapY(corner.at[1]) })),
    pieces: readPieces(raw.pieces), note: raw.pieces_note || "", revision: raw.revision,
  });
  let layers = [], usual = 0;
  const seen = (layer, items) => (layer.hidden.size ? items.filter((item) => !layer.hidden.has(item.bed)) : items);
  const plan = {
    get layers() { return layers; },
    get usual() { return usual || mapX(2e-5) - mapX(0); },      /* no pieces yet: about two metres */
    all: (what) => layers.flatMap((layer) => seen(layer, layer[what])),
    /* is piece i of this layer to be drawn? */
    shows: (layer) => {
      if (!layer.pieces || !layer.hidden.size) { return () => true; }
      const gone = Uint8Array.from(layer.pieces.beds, (bed) => (layer.hidden.has(bed) ? 1 : 0));
      return (i) => !gone[layer.pieces.bedOf[i]];
    },
    note: () => (layers[0] ? layers[0].note : ""),
    base(raw) {
      layers = [readPlan(raw, null)];
      if (layers[0].pieces && layers[0].pieces.n) { usual = layers[0].pieces.usual; }
      tell("plan", null);
    },
    over(raw, affected) {
      const edges = edgesOf(affected), top = readPlan(raw, new Set(affected));
      layers = layers.filter((layer) => !layer.beds || [...layer.beds].some((bed) => !top.beds.has(bed)));
      layers.forEach((layer) => affected.forEach((bed) => layer.hidden.add(bed)));
      layers.push(top);
      if (!usual && top.pieces && top.pieces.n) { usual = top.pieces.usual; }
      tell("plan", edges.concat(edgesOf(affected)));
    },
    /* as it was before a try: for a drag that is given up */
    remember() { return { layers: layers.map((layer) => ({ ...layer, hidden: new Set(layer.hidden) })), base: layers[0], revision: state.revision }; },
    restore(kept) {
      /* another plan has come since: what was remembered is older */
      if (layers[0] !== kept.base || state.revision !== kept.revision) { look({ afresh: true }); return; }
      layers = kept.layers;
      tell("plan", null);
    },
  };
  /* where the runs and pieces of these beds lie, for repainting no more than that */
  const edgesOf = (beds) => {
    const wanted = new Set(beds);
    return layers.flatMap((layer) => seen(layer, layer.runs).filter((run) => wanted.has(run.bed)).map((run) => run.edge));
  };

  /* ------------------------------------------------------------------ fetching what is in view */

  const MERGE = 300;               /* milliseconds outlines wait for the plan when the page opens */
  let fetched = { features: null, plan: null }, asking = null, late = 0, awaited = null, opening = true;
  const early = new Map();         /* by path: asked for before it was looked at */
  const viewBox = (pad) => {
    const bounds = map().getBounds().pad(pad);
    return [bounds.getWest(), bounds.getSouth(), bounds.getEast(), bounds.getNorth()];
  };
  const within = (inner, outer) => outer && inner[0] >= outer[0] && inner[1] >= outer[1] && inner[2] <= outer[2] && inner[3] <= outer[3];
  const needed = (view) => {
    const zoom = map().getZoom(), planned = fetched.plan;
    return {
      features: !fetched.features || fetched.features.revision !== state.revision || !within(view, fetched.features.box),
      plan: !planned || planned.revision !== state.revision || !within(view, planned.box)
        || (planned.partial && zoom > planned.zoom) || zoom > planned.zoom + 2 || zoom < planned.zoom - 3,
    };
  };
  const wide = () => {
    const box = viewBox(0.6), zoom = map().getZoom(), bbox = box.map((v) => v.toFixed(8)).join(",");
    return { box, zoom, paths: { features: `/api/features?bbox=${bbox}`, plan: `/api/plan?bbox=${bbox}&zoom=${zoom}` } };
  };
  /* heard where it is waited for */
  const asked = (path, options) => { const answer = get(path, options); answer.catch(() => {}); return answer; };
  /* what the first look will ask for, while the page still builds itself */
  const foresee = () => Object.values(wide().paths).forEach((path) => early.set(path, asked(path)));
  /* Fetch what the view lacks; `afresh` also what it has.  `head`: what somebody else saved; the page
     stands at that revision when its features are here, not before. */
  const look = async ({ afresh = false, head = null } = {}) => {
    if (!state.site) { return; }
    if (head) { awaited = head; }
    if (afresh) { fetched = { features: null, plan: null }; }
    const view = viewBox(0.05), need = needed(view);
    if (!need.features && !need.plan) { return; }
    if (asking) { asking.abort(); }
    asking = new AbortController();
    late += 1;
    const mine = late, { signal } = asking, { box, zoom, paths } = wide(), since = state.revision;
    const ask = (wanted, path) => (wanted ? early.get(path) || asked(path, { signal }) : null);
    /* of a revision before an edit that was answered meanwhile: no longer how it is */
    const old = ({ revision }) => revision < state.revision && state.revision !== since;
    const coming = { features: ask(need.features, paths.features), plan: ask(need.plan, paths.plan) };
    early.clear();
    try {
      /* both are painted at once where they come at once */
      if (opening) {
        opening = false;
        await coming.features;
        await Promise.race([coming.plan, new Promise((go) => { setTimeout(go, MERGE); })]).catch(() => {});
      }
      /* outlines first: they are soon there, and one can begin */
      if (coming.features) {
        const answer = await coming.features;
        if (mine !== late) { return; }
        if (old(answer)) { again(); return; }
        const reached = awaited && answer.revision >= awaited.revision ? awaited : null;
        if (reached) {
          state.revision = reached.revision;
          state.etag = reached.etag;
          awaited = null;
        }
        features.clear();
        answer.features.forEach(put);
        fetched.features = { box, revision: answer.revision };
        tell("fetched");
        tell("features");
        if (reached) { tell("followed", reached); }
      }
      if (coming.plan) {
        const answer = await coming.plan;
        if (mine !== late) { return; }
        if (old(answer)) { again(); return; }
        plan.base(answer);
        fetched.plan = { box, zoom, revision: answer.revision, partial: !answer.pieces };
      }
      document.documentElement.dataset.looked = String(Number(document.documentElement.dataset.looked || 0) + 1);
    } catch (error) {
      if (signal.aborted) { return; }
      desk.saving.trouble(error);
    }
  };
  /* while edits are on their way the last answer asks again; it may be the only one that can be kept */
  const again = () => { if (!desk.saving.waiting()) { look(); } };
  /* the view holds what revision `now` has, without asking: an edit answered with all that changed */
  const keepUp = (before, now) => {
    ["features", "plan"].forEach((what) => {
      if (fetched[what] && fetched[what].revision === before) { fetched[what].revision = now; }
    });
  };
  let pause = 0;
  on("view", () => { clearTimeout(pause); pause = setTimeout(look, 60); });

  desk.store = { ISLAND, POINT, features, keyOf, put, bare, ready, plan, look, foresee, keepUp };
})();
