/* The desk: what all of its files share.
 *
 * Every number the page shows was made by the program; the page projects positions for the view
 * and computes no length, count or price.  Text of people reaches the page through textContent
 * and canvas fillText only, never as markup.
 */
"use strict";
const desk = (() => {
  const { $, make, userText, mapX, mapY } = siteplanDraw;

  const heard = new Map();
  /* names of events: site, features, plan, panel, chosen, mode, tool, saving, view */
  const on = (name, act) => { heard.set(name, [...(heard.get(name) || []), act]); };
  /* a mistake in one who hears does not end what tells: saving goes on, and the mistake is seen all the same */
  const tell = (name, detail) => (heard.get(name) || []).forEach((act) => {
    try { act(detail); } catch (mistake) { setTimeout(() => { throw mistake; }); }
  });

  const state = {
    site: null,          /* what /api/site told */
    revision: 0, etag: "",
    mode: "look",
    chosen: null,        /* key of the chosen feature, such as "beds F1" */
    tool: null,          /* what the pointer does on the map: null is look and choose */
    readOnly: "",        /* why nothing can be saved, or empty */
    snap: true,
    shown: new Set(["picture", "beds", "abutments", "openings", "runs", "pieces", "corners", "unmet", "names"]),
  };

  const say = (text) => { $("spoken").textContent = ""; requestAnimationFrame(() => { $("spoken").textContent = text; }); };
  const button = (text, act, className) => {
    const node = make("button", text, className);
    node.type = "button";
    node.addEventListener("click", act);
    return node;
  };
  const label = (text, field) => {
    const node = make("label", text);
    if (!field.id) { label.n = (label.n || 0) + 1; field.id = `field-${label.n}`; }
    node.htmlFor = field.id;
    return node;
  };
  const option = (value, text) => { const node = userText("option", text); node.value = value; return node; };
  const still = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
  const narrow = () => matchMedia("(max-width: 760px)").matches;

  /* what one person calls a kind of thing */
  const ROLES = {
    beds: { one: "bed", sign: siteplanDraw.BED },
    abutments: { one: "abutment", sign: siteplanDraw.ABUTMENT },
    openings: { one: "opening", sign: siteplanDraw.OPENING },
  };
  const called = (feature) => `${ROLES[feature.role].one} ${feature.name || feature.id}`;

  /* ------------------------------------------------------------------ positions */

  const map = () => window.map_siteplan;
  const toScreen = (lonlat) => map().latLngToContainerPoint([lonlat[1], lonlat[0]]);
  /* ten decimals: a hundredth of a millimetre on the ground, as the program sends them */
  const fine = (degrees) => Number(degrees.toFixed(10));
  const toLonLat = (point) => {
    const at = map().containerPointToLatLng(point);
    return [fine(at.lng), fine(at.lat)];
  };
  const boxOf = (rings) => {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    rings.forEach((ring) => ring.forEach(([lon, lat]) => {
      box[0] = Math.min(box[0], lon); box[1] = Math.min(box[1], lat);
      box[2] = Math.max(box[2], lon); box[3] = Math.max(box[3], lat);
    }));
    return box;
  };
  const flat = (ring) => ({ x: Float64Array.from(ring, (p) => mapX(p[0])), y: Float64Array.from(ring, (p) => mapY(p[1])) });
  /* metres a pixel of the screen covers: how near counts as near, for the program's snapping */
  const pixelMetres = () => {
    const at = map().getCenter();
    return 40075016.7 * Math.cos(at.lat * Math.PI / 180) / 2 ** (map().getZoom() + 8);
  };
  const goTo = (box, { fill = 0.6 } = {}) => {
    const bounds = L.latLngBounds([box[1], box[0]], [box[3], box[2]]);
    const size = map().getSize();
    const aside = size.multiplyBy((1 - fill) / 2);
    map().fitBounds(bounds, { padding: aside, maxZoom: 22, animate: !still() });
  };

  /* ------------------------------------------------------------------ what the browser keeps */

  const keep = {
    name: (what) => `siteplan desk ${state.site ? state.site.key : ""} ${what}`,
    get(what, from = localStorage) {
      try { return JSON.parse(from.getItem(keep.name(what))); } catch { return null; }
    },
    /* false: the browser's store is full or switched off, and the caller has to say so */
    set(what, value, into = localStorage) {
      try { into.setItem(keep.name(what), JSON.stringify(value)); return true; } catch { return false; }
    },
    drop(what, from = localStorage) { try { from.removeItem(keep.name(what)); } catch { /* nothing was kept */ } },
  };

  const download = (name, text, type) => {
    const link = make("a");
    link.href = URL.createObjectURL(new Blob([text], { type }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  };

  return {
    $, make, userText, on, tell, state, say, button, label, option, still, narrow, ROLES, called, map, toScreen, toLonLat,
    fine, boxOf, flat, pixelMetres, goTo, keep, download,
  };
})();
