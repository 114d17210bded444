/* The Order pane: product line and settings, two lines beside each other, files to take along. */
"use strict";
(() => {
  const { $, make, userText, button, label, option, state, on, say, download } = desk;
  const { get, post } = desk.net;
  const { features, bare } = desk.store;

  /* ------------------------------------------------------------------ settings */

  const FROM = { desk: "set here", "site.toml": "from site.toml", line: "from the product line", default: "the usual value" };
  const settingRow = (row, after) => {
    const box = make("form", undefined, "setting"), field = make(row.kind === "choice" ? "select" : "input"), told = make("p", undefined, "soft");
    box.autocomplete = "off";
    if (row.kind === "choice") { field.append(...row.choices.map((choice) => option(choice.value, choice.name))); } else { field.type = "text"; field.spellcheck = false; }
    field.value = row.value ?? "";
    field.dataset.path = row.path.join(".");
    const from = make("span", FROM[row.from] || row.from || "", `from ${row.from === "desk" ? "own" : ""}`);
    const set = (value) => desk.saving.act(value === null ? `Let go of ${row.label}` : `Set ${row.label} to ${value}`, [{ op: "set", path: row.path, value }], []);
    const save = make("button", "Set", "small");
    save.type = "submit";
    save.setAttribute("aria-label", `Set ${row.label}`);
    box.append(label(row.label, field), field, save);
    if (row.kind === "choice") { save.hidden = true; field.addEventListener("change", () => set(field.value)); }
    box.addEventListener("submit", (event) => { event.preventDefault(); if (field.value !== (row.value ?? "")) { set(field.value === "" ? null : field.value); } });
    if (row.from === "desk") {
      const back = button("Back to site.toml", () => set(null), "small");
      back.setAttribute("aria-label", `${row.label}: back to what site.toml says`);
      box.append(from, back);
    } else { box.append(from); }
    if (row.help) { told.textContent = row.help; box.append(told); }
    after.append(box);
  };
  const OFTEN = new Set(["line", "outline.offset", "fit.prefer", "spares.percent", "show.units"]);
  const fillSettings = async (into, query) => {
    try {
      const answer = await get(`/api/settings${query}`);
      if (!into.isConnected) { return; }
      const held = into.contains(document.activeElement) && document.activeElement.dataset.path;
      const open = into.querySelector("details")?.open || false, more = make("details");
      more.append(make("summary", "More that can be set"));
      more.open = open;
      into.replaceChildren();
      answer.rows.forEach((row, i) => settingRow(row, OFTEN.has(row.path.join(".")) || row.from === "desk" || (query && i < 3) ? into : more));
      if (more.children.length > 1) { into.append(more); }
      if (!answer.rows.length) { into.append(make("p", "Nothing to set here.", "soft")); }
      if (held) { into.querySelector(`[data-path="${CSS.escape(held)}"]`)?.focus(); }
    } catch (error) { desk.saving.trouble(error); }
  };
  const siteSettings = () => { if (state.mode === "order") { fillSettings($("site-settings"), ""); } };
  const bedSettings = (into, id) => {
    const box = make("div", undefined, "settings");
    into.append(make("h3", "This bed alone"), box);
    if (state.mode === "order") { fillSettings(box, `?bed=${encodeURIComponent(id)}`); }
  };

  /* ------------------------------------------------------------------ compare */

  const compare = async (event) => {
    event.preventDefault();
    const box = $("compared");
    box.replaceChildren(make("p", "Laying both lines on the same runs.", "soft"));
    try {
      const answer = await post("/api/compare", { lines: [$("compare-a").value, $("compare-b").value] });
      const table = make("table", undefined, "counts"), head = make("tr"), body = make("tbody"), top = make("thead");
      table.append(make("caption", "Two product lines on the same runs"));
      answer.columns.forEach((name) => { const cell = userText("th", name); cell.scope = "col"; head.append(cell); });
      top.append(head);
      answer.rows.forEach((row) => {
        const line = make("tr");
        row.forEach((text, i) => { const cell = userText(i ? "td" : "th", text, i ? "number" : ""); if (!i) { cell.scope = "row"; } line.append(cell); });
        body.append(line);
      });
      table.append(top, body);
      box.replaceChildren(table, ...(answer.notes || []).map((note) => userText("p", note, "soft")));
    } catch (error) { desk.saving.trouble(error); box.replaceChildren(userText("p", error instanceof desk.net.NoAnswer ? "The program does not answer." : desk.sketch.word(error), "fault")); }
  };

  /* ------------------------------------------------------------------ files */

  /* what this page holds, with what is not saved: for the day the program or the disk is gone */
  const drawing = () => {
    const waiting = new Set([...desk.saving.entries().flatMap((entry) => entry.touched.map(({ key }) => key)), ...desk.saving.refusals.keys()]);
    const closed = (ring) => (ring.length ? [...ring, ring[0]] : ring);
    const geometry = (feature) => {
      const [kind] = feature.kinds;
      if (kind === 3) { return feature.rings.length === 1 ? { type: "Point", coordinates: feature.rings[0][0] } : { type: "MultiPoint", coordinates: feature.rings.map((ring) => ring[0]) }; }
      if (kind === 2) { return feature.rings.length === 1 ? { type: "LineString", coordinates: feature.rings[0] } : { type: "MultiLineString", coordinates: feature.rings }; }
      const areas = [];
      feature.rings.forEach((ring, i) => { if (feature.kinds[i] === 0) { areas.push([closed(ring)]); } else { areas[areas.length - 1].push(closed(ring)); } });
      return areas.length === 1 ? { type: "Polygon", coordinates: areas[0] } : { type: "MultiPolygon", coordinates: areas };
    };
    const list = [...features.values()].map((feature) => ({ type: "Feature", id: feature.key, properties: { ...bare(feature).attributes, role: feature.role, id: feature.id, name: feature.name || "", saved: !waiting.has(feature.key) }, geometry: geometry(feature) }));
    /* edits that are no outline too: settings, tapes, islands, splits */
    const waits = desk.saving.entries().map(({ mode, what, changes }) => ({ mode, what, changes: changes || [] }));
    return JSON.stringify({ type: "FeatureCollection", features: list, not_saved: waits }, null, 1);
  };
  const saveDrawing = () => { download("drawing.geojson", drawing(), "application/geo+json"); say("The drawing in this page is downloaded."); };

  const write = async () => {
    $("written").textContent = "Writing.";
    try {
      const answer = await post("/api/write", {}, { wait: 300_000 });
      $("written").textContent = answer.text || `Written: ${answer.where || answer.folder || ""}`;
    } catch (error) { desk.saving.trouble(error); $("written").textContent = error instanceof desk.net.NoAnswer ? "The program does not answer." : desk.sketch.word(error); }
  };
  const fillExports = () => {
    $("exports").replaceChildren(...(state.site.exports || []).map((item) => {
      const row = make("li"), link = userText("a", item.name, "entry-link");
      link.href = item.url;
      link.setAttribute("download", "");
      row.append(link);
      if (item.text) { row.append(userText("span", item.text, "soft said")); }
      return row;
    }));
  };

  const build = () => {
    $("compare").addEventListener("submit", compare);
    $("write").addEventListener("click", write);
    $("drawing").addEventListener("click", saveDrawing);
    on("site", () => {
      fillExports();
      ["compare-a", "compare-b"].forEach((id, k) => {
        $(id).replaceChildren(...state.site.lines.map((line) => option(line.key, line.name)));
        const other = state.site.lines.find((line) => line.key !== state.site.line.key);
        $(id).value = k && other ? other.key : state.site.line.key;
      });
    });
    on("mode", siteSettings);
    on("saved", siteSettings);
    on("followed", siteSettings);
    on("refused", siteSettings);
  };
  desk.orderPane = { build, bedSettings, saveDrawing };
})();
