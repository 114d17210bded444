// What the crew notes down: ticks, lengths, notes, stock, times; kept in the browser where it keeps
// anything, written to a field file, and merged with the files of other phones.

const FIELD = PLAN.field, LIMIT = FIELD.limits;
const RECORD_LISTS = FIELD.lists.filter((name) => name !== "ticks");
const SEP = " ";
const KEY = `siteplan crew ${PLAN.plan}`;

const field = {
  kept: true,          // whether this browser keeps what is noted
  why: "",
  phone: "", phones: {},
  ticks: new Map(),    // piece id to tick, pieces of other beds too
  lists: Object.fromEntries(RECORD_LISTS.map((name) => [name, new Map()])),
  unsaved: 0,          // what was noted since the last file
  laid: new Uint8Array(COUNT),
};

// --- keeping -------------------------------------------------------------------------------------

function readKept(key) {
  try {
    const text = window.localStorage.getItem(key);
    return text === null ? null : JSON.parse(text);
  } catch (error) {
    if (!(error instanceof SyntaxError)) cannotKeep(error);
    return null;
  }
}

function writeKept(key, value) {
  if (!field.kept) return;
  try {
    window.localStorage.setItem(key, JSON.stringify(value));
  } catch (error) {
    cannotKeep(error);
  }
}

function cannotKeep(error) {
  field.kept = false;
  field.why = error && error.name === "QuotaExceededError" ? "its store is full" : "it does not let this page keep anything";
}

function newPhone() {
  return Array.from(crypto.getRandomValues(new Uint8Array(4)), (b) => b.toString(16).padStart(2, "0")).join("");
}

function openField() {
  const me = readKept("siteplan crew phone");
  field.phone = me && /^[0-9a-f]{8}$/.test(me.id) ? me.id : newPhone();
  field.phones = { [field.phone]: me && typeof me.name === "string" ? me.name.slice(0, 80) : "" };
  writeKept("siteplan crew phone", { id: field.phone, name: field.phones[field.phone] });
  readStore();
  window.addEventListener("storage", (event) => {
    // another window of the same page noted something
    if (event.key && event.key.startsWith(KEY + SEP)) { readPart(event.key); changed(); }
  });
}

// all that this browser keeps of the plan, from whichever window
function readStore() {
  try {
    const names = [];
    for (let k = 0; k < window.localStorage.length; k++) names.push(window.localStorage.key(k));
    for (const name of names.filter((n) => n && n.startsWith(KEY + SEP))) readPart(name);
  } catch (error) {
    cannotKeep(error);
  }
}

function readPart(name) {
  const value = readKept(name);
  if (!value || typeof value !== "object") return;
  if (name === `${KEY}${SEP}rest`) {
    Object.assign(field.phones, cleanPhones(value.phones || {}), { [field.phone]: field.phones[field.phone] });
    field.unsaved = Number.isInteger(value.unsaved) ? value.unsaved : 0;
    for (const list of RECORD_LISTS) {
      for (const record of Array.isArray(value[list]) ? value[list] : []) {
        const made = cleanRecord(list, record, []);
        if (made) mergeRecord(list, made);
      }
    }
    return;
  }
  for (const tick of Array.isArray(value) ? value : []) {
    const made = cleanTick(tick, []);
    if (made) mergeTick(made);
  }
}

function keepRun(run) {
  const key = `${KEY}${SEP}run${SEP}${run}`;
  // first what another window may have put there
  readPart(key);
  writeKept(key, [...field.ticks.values()].filter((t) => t.run === run));
}

// `noted`: so many entries more are in no file; null: all of them are in one
function keepRest(noted = 0) {
  // first what another window may have put there
  if (field.kept) readPart(`${KEY}${SEP}rest`);
  field.unsaved = noted === null ? 0 : field.unsaved + noted;
  writeKept(`${KEY}${SEP}rest`, {
    phones: field.phones, unsaved: field.unsaved,
    ...Object.fromEntries(RECORD_LISTS.map((name) => [name, [...field.lists[name].values()]])),
  });
}

// --- time ----------------------------------------------------------------------------------------

// as the phone says, with its offset, whole seconds
function stamp(ms) {
  const at = new Date(ms), offset = -at.getTimezoneOffset();
  const two = (v) => String(Math.floor(Math.abs(v))).padStart(2, "0");
  const local = new Date(at.getTime() + offset * 60000).toISOString().slice(0, 19);
  return `${local}${offset < 0 ? "-" : "+"}${two(offset / 60)}:${two(Math.abs(offset) % 60)}`;
}
const instant = (when) => Date.parse(when);

// now, but later than what it replaces: a clock put back must not bring the old state back
function later(than) {
  const now = Math.floor(Date.now() / 1000) * 1000;
  return stamp(than ? Math.max(now, instant(than) + 1000) : now);
}

// --- noting --------------------------------------------------------------------------------------

function tickOf(k, laid, changes) {
  const id = pieceId(k), before = field.ticks.get(id), [lon, lat] = lonlatOf(k);
  const tick = {
    piece: id, run: RUNS.ids[runOf(k)], code: codeOf(k), kind: KIND_NAMES[P.kind[k]],
    from_um: P.from[k], to_um: P.from[k] + P.um[k], lon, lat, laid,
  };
  const extra = changes || (before && laid && before.laid ? before : {});
  if (laid && extra.used) tick.used = extra.used;
  if (laid && extra.cut) tick.cut = extra.cut;
  return { ...tick, when: later(before && before.when), by: field.phone };
}

function setLaid(pieces, laid, changes) {
  if (!pieces.length) return;
  const runs = new Set();
  for (const k of pieces) {
    const tick = tickOf(k, laid, changes);
    field.ticks.set(tick.piece, tick);
    field.laid[k] = laid ? 1 : 0;
    runs.add(tick.run);
  }
  runs.forEach(keepRun);
  keepRest(pieces.length);
}

function newId() {
  const more = crypto.getRandomValues(new Uint16Array(1))[0];
  return `${field.phone}-${Date.now().toString(36)}-${more.toString(36)}`;
}

function note(list, values) {
  const record = { id: newId(), ...values, when: later(), by: field.phone, removed: false };
  field.lists[list].set(record.id, record);
  keepRest(1);
  return record;
}

function change(list, record, values) {
  const made = { ...record, ...values, when: later(record.when), by: field.phone };
  field.lists[list].set(made.id, made);
  keepRest(1);
}

const standing = (list) => [...field.lists[list].values()].filter((r) => !r.removed).sort(byTime);
const byTime = (a, b) => instant(a.when) - instant(b.when) || (a.id < b.id ? -1 : 1);
const latest = (list, wanted) => standing(list).filter(wanted).at(-1);

// --- merging: the rules of docs/crew-page.md --------------------------------------------------------

function mergeTick(tick) {
  const old = field.ticks.get(tick.piece);
  const wins = !old || instant(tick.when) > instant(old.when) || (instant(tick.when) === instant(old.when) &&
    (tick.laid !== old.laid ? tick.laid : tick.by > old.by));
  if (!wins) return false;
  field.ticks.set(tick.piece, tick);
  const k = PIECE_OF.get(tick.piece);
  if (k !== undefined) field.laid[k] = tick.laid ? 1 : 0;
  return true;
}

function mergeRecord(list, record) {
  const old = field.lists[list].get(record.id);
  const wins = !old || instant(record.when) > instant(old.when) ||
    (instant(record.when) === instant(old.when) &&
      (record.removed !== old.removed ? record.removed : record.by > old.by));
  if (wins) field.lists[list].set(record.id, record);
  return wins;
}

// --- reading files of others: every value is looked at, only known keys are taken --------------------

const isText = (value, most) => typeof value === "string" && value.length <= most;
const isWhole = (value, least, most) => Number.isInteger(value) && value >= least && value <= most;
const isTime = (value) => isText(value, 40) && /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(Z|[+-]\d\d:\d\d)$/.test(value) && Number.isFinite(instant(value));
const isPhone = (value) => isText(value, 40) && /^[0-9A-Za-z-]+$/.test(value);

const CHECKS = {
  id: (v) => isText(v, LIMIT.id) && v !== "", run: (v) => isText(v, LIMIT.id), of: (v) => isText(v, LIMIT.id),
  piece: (v) => isText(v, LIMIT.id) && v !== "", code: (v) => isText(v, LIMIT.id), used: (v) => isText(v, LIMIT.id),
  cut: (v) => isText(v, LIMIT.text), text: (v) => isText(v, LIMIT.text), kind: (v) => KIND_NAMES.includes(v),
  from_um: (v) => isWhole(v, 0, 1e12), to_um: (v) => isWhole(v, 0, 1e12), planned_um: (v) => isWhole(v, 0, 1e12),
  lon: (v) => Number.isFinite(v) && Math.abs(v) <= 360, lat: (v) => Number.isFinite(v) && Math.abs(v) <= 90,
  laid: (v) => typeof v === "boolean", removed: (v) => typeof v === "boolean",
  count: (v) => isWhole(v, 0, LIMIT.count), people: (v) => isWhole(v, 1, LIMIT.people),
  when: isTime, start: isTime, stop: (v) => v === null || isTime(v), by: isPhone,
  what: (v) => ["site", "run", "leg", "piece"].includes(v),
};
const KEYS = {
  ticks: ["piece", "run", "code", "kind", "from_um", "to_um", "lon", "lat", "laid", "when", "by"],
  lengths: ["id", "what", "of", "run", "planned_um", "text", "when", "by", "removed"],
  notes: ["id", "what", "of", "run", "text", "when", "by", "removed"],
  broken: ["id", "run", "code", "count", "text", "when", "by", "removed"],
  extra: ["id", "run", "code", "count", "text", "when", "by", "removed"],
  leftover: ["id", "code", "count", "when", "by", "removed"],
  times: ["id", "run", "start", "stop", "people", "when", "by", "removed"],
};

function clean(list, value, faults, where) {
  if (!value || typeof value !== "object") { faults.push(`${where} is not a record`); return null; }
  const made = {};
  for (const key of KEYS[list]) {
    if (!Object.hasOwn(value, key) || !CHECKS[key](value[key])) { faults.push(`${where}: "${key}" is missing or not usable`); return null; }
    made[key] = value[key];
  }
  for (const key of list === "ticks" ? ["used", "cut"] : []) {
    if (!Object.hasOwn(value, key)) continue;
    if (!CHECKS[key](value[key])) { faults.push(`${where}: "${key}" is not usable`); return null; }
    made[key] = value[key];
  }
  return made;
}
const cleanTick = (value, faults, where = "a tick") => clean("ticks", value, faults, where);
const cleanRecord = (list, value, faults, where = `a record of ${list}`) => clean(list, value, faults, where);

function cleanPhones(value) {
  if (!value || typeof value !== "object") return {};
  return Object.fromEntries(Object.entries(value).filter(([id, name]) => isPhone(id) && isText(name, 200)).slice(0, 500));
}

// A file's text to { file } with clean lists, or { faults }: one fault and nothing of the file is taken.
function readFieldFile(text) {
  let value;
  try {
    value = JSON.parse(text.replace(/^\ufeff/, ""));
  } catch (error) {
    return { faults: ["It cannot be read: it is cut short, or not a field file at all. Ask for it to be sent again."] };
  }
  if (!value || value.format !== FIELD.format) return { faults: ["It is not a field file of a crew page."] };
  if (value.version !== FIELD.version) return { faults: [`It is of version ${JSON.stringify(value.version)} and this page reads version ${FIELD.version}.`] };
  if (value.site !== PLAN.site) return { faults: [`It is of another site: ${String(value.site).slice(0, 200)}.`] };
  const faults = [], file = { plan: String(value.plan).slice(0, 64), revision: String(value.revision).slice(0, 200), phones: cleanPhones(value.phones) };
  for (const list of FIELD.lists) {
    const rows = value[list], most = list === "ticks" ? LIMIT.ticks : LIMIT.records;
    if (!Array.isArray(rows) || rows.length > most) { faults.push(`"${list}" is missing, or has more than ${most} records`); continue; }
    file[list] = rows.map((row, k) => clean(list, row, faults, `${list}, record ${k + 1}`)).filter(Boolean);
    if (faults.length > 20) break;
  }
  return faults.length ? { faults } : { file };
}

const METRES_PER_DEGREE = 111320;
function samePlace(tick, k) {
  const [lon, lat] = lonlatOf(k);
  const east = (tick.lon - lon) * METRES_PER_DEGREE * Math.cos((lat * Math.PI) / 180);
  return Math.hypot(east, (tick.lat - lat) * METRES_PER_DEGREE) <= FIELD.same_place_m;
}

// Merge a clean file.  Of another plan of this site only what stands for the same piece at the same place.
function takeIn(file) {
  const same = file.plan === PLAN.plan;
  const told = { same, ticks: 0, records: 0, known: 0, left: 0 };
  const runs = new Set();
  for (const tick of file.ticks) {
    const k = PIECE_OF.get(tick.piece);
    const safe = same || (k !== undefined && codeOf(k) === tick.code && samePlace(tick, k));
    if (!safe) { told.left += 1; continue; }
    const made = same ? tick : { ...tick, run: RUNS.ids[runOf(k)], from_um: P.from[k], to_um: P.from[k] + P.um[k], kind: KIND_NAMES[P.kind[k]] };
    if (mergeTick(made)) { told.ticks += 1; runs.add(made.run); } else told.known += 1;
  }
  for (const list of RECORD_LISTS) {
    for (const record of file[list]) {
      if (!same && record.run && !RUN_OF.has(record.run)) { told.left += 1; continue; }
      if (mergeRecord(list, record)) told.records += 1; else told.known += 1;
    }
  }
  field.phones = { ...file.phones, ...field.phones };
  runs.forEach(keepRun);
  keepRest(told.ticks + told.records);
  return told;
}

// --- the field file -------------------------------------------------------------------------------

function fieldFile() {
  const order = (t) => PIECE_OF.get(t.piece) ?? COUNT;
  const ticks = [...field.ticks.values()].sort((a, b) => order(a) - order(b) || (a.piece < b.piece ? -1 : 1));
  const lists = Object.fromEntries(RECORD_LISTS.map((name) => [name, [...field.lists[name].values()].sort(byTime)]));
  const spoken = new Set([...ticks, ...Object.values(lists).flat()].map((r) => r.run).filter(Boolean));
  const runs = RUNS.ids.flatMap((id, r) => spoken.has(id)
    ? [{ run: id, bed: PLAN.beds.ids[RUNS.bed[r]], length_um: RUNS.um[r], closed: RUNS.closed[r], pieces: RUNS.pieces[r] }] : []);
  return {
    format: FIELD.format, version: FIELD.version, site: PLAN.site, plan: PLAN.plan, revision: PLAN.revision,
    line: PLAN.line, units: PLAN.units, basis: PLAN.basis, saved: later(), phone: field.phone, phones: field.phones,
    runs, ticks, ...lists,
  };
}

// one record a line, so that people can read it too
function fieldText() {
  if (field.kept) readStore();
  const lines = Object.entries(fieldFile()).map(([key, value]) => Array.isArray(value) && value.length
    ? `${JSON.stringify(key)}:[\n${value.map((v) => JSON.stringify(v)).join(",\n")}\n]`
    : `${JSON.stringify(key)}:${JSON.stringify(value)}`);
  return `{${lines.join(",\n")}}\n`;
}

function fieldName() {
  const site = PLAN.site.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 40) || "site";
  const at = stamp(Date.now()).slice(0, 16).replace(/[-:]/g, "").replace("T", "-");
  return `field-${site}-${PLAN.plan.slice(0, 8)}-${field.phone}-${at}.json`;
}

function savedNow() {
  keepRest(null);
}
