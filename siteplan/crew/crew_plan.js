// The plan, unpacked, and lengths as people write them.

const PLAN = JSON.parse(document.getElementById("crew-plan").textContent);
const [SECTION, CLOSER, CUT, CORNER, END] = [0, 1, 2, 3, 4];
const KIND_NAMES = ["section", "closer", "cut", "corner", "end"];

function unpack(text, Type) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
  return new Type(bytes.buffer);
}

// whole numbers of 64 bits; exact, as stations stay far below 2 to the 53rd
function unpackLong(text) {
  const halves = unpack(text, Uint32Array);
  return Float64Array.from({ length: halves.length / 2 }, (_, k) => halves[2 * k] + halves[2 * k + 1] * 4294967296);
}

// packed places to metres from the south-west of everything shown
function unpackPlaces(text) {
  const units = unpack(text, Int32Array);
  const metres = new Float64Array(units.length);
  for (let k = 0; k < units.length; k++) metres[k] = units[k] / PLAN.per_m;
  return metres;
}

function unpackShapes(shapes) {
  return {
    xy: unpackPlaces(shapes.xy), ends: unpack(shapes.ends, Uint32Array),
    kind: unpack(shapes.kind, Uint8Array), of: unpack(shapes.of, Uint32Array),
  };
}

const RUNS = PLAN.runs, LEGS = PLAN.legs;
const BEDS = unpackShapes(PLAN.beds), ABUTMENTS = unpackShapes(PLAN.abutments), OPENINGS = unpackShapes(PLAN.openings);
const BED_SHOWN = unpack(PLAN.beds.shown, Uint8Array);
const LEG_LINES = { xy: unpackPlaces(LEGS.xy), ends: unpack(LEGS.ends, Uint32Array) };
const POINT_XY = unpackPlaces(PLAN.points.xy);

// pieces in laying order
const P = (() => {
  const p = PLAN.pieces, i32 = (t) => unpack(t, Int32Array);
  return {
    leg: unpack(p.leg, Uint32Array), kind: unpack(p.kind, Uint8Array), code: unpack(p.code, Uint16Array),
    from: unpackLong(p.from), um: i32(p.um), gap: i32(p.gap), leftOver: i32(p.left_over), space: i32(p.space),
    cut: i32(p.cut), joint: unpack(p.joint, Int16Array), bend: unpack(p.bend, Int16Array),
    heading: unpack(p.heading, Int16Array), inner: p.inner && i32(p.inner), outer: p.outer && i32(p.outer),
    at: unpackPlaces(p.at), start: unpackPlaces(p.start), startHeading: unpack(p.start_heading, Int16Array), lonlat: i32(p.lonlat), xy: unpackPlaces(p.xy), ends: unpack(p.ends, Uint32Array),
  };
})();
const COUNT = P.kind.length;
const RUN_COUNT = RUNS.ids.length;
const BACKWARDS = PLAN.lay_from === "far";

// pieces of a run stand together: [RUN_FIRST[r], RUN_FIRST[r + 1])
const RUN_FIRST = (() => {
  const first = new Uint32Array(RUN_COUNT + 1);
  for (let r = 0; r < RUN_COUNT; r++) first[r + 1] = first[r] + RUNS.pieces[r];
  return first;
})();
const runOf = (piece) => LEGS.run[P.leg[piece]];
// rows of a table by what they belong to
function grouped(of, count) {
  const made = Array.from({ length: count }, () => []);
  of.forEach((k, row) => made[k].push(row));
  return made;
}
const LEGS_OF = grouped(LEGS.run, RUN_COUNT), POINTS_OF = grouped(PLAN.points.run, RUN_COUNT);
const RUNS_OF = grouped(RUNS.bed, PLAN.beds.ids.length);
const legsOf = (run) => (BACKWARDS ? LEGS_OF[run].slice().reverse() : LEGS_OF[run]);

function pieceId(k) {
  const tail = PLAN.pieces.ids[k];
  return tail.startsWith(" ") ? tail.slice(1) : `${LEGS.ids[P.leg[k]]}-${tail}`;
}
const PIECE_OF = new Map(PLAN.pieces.ids.map((_, k) => [pieceId(k), k]));
const RUN_OF = new Map(RUNS.ids.map((id, r) => [id, r]));

function lonlatOf(k) {
  const [lon, lat] = PLAN.pieces.lonlat_from;
  return [(P.lonlat[2 * k] + lon) / 1e8, (P.lonlat[2 * k + 1] + lat) / 1e8];
}

const isOutside = (k) => (P.bend[k] > 0) !== BACKWARDS;
function kindWord(k) {
  if (P.kind[k] === CORNER) return isOutside(k) ? "Outside corner" : "Inside corner";
  return ["Section", "Closer", "Cut piece", "", "End unit"][P.kind[k]];
}
const codeOf = (k) => PLAN.codes[P.code[k]].code;

// --- lengths -------------------------------------------------------------------------------------
// Whole micrometres to text: the same numbers as the plan's other papers, half away from zero.

function lengthText(um) {
  const whole = Math.abs(um);
  if (PLAN.units === "m") {
    const mm = Math.floor((2 * whole + 1000) / 2000);
    return `${um < 0 && mm ? "-" : ""}${Math.floor(mm / 1000)}.${String(mm % 1000).padStart(3, "0")} m`;
  }
  const d = PLAN.inch_fraction;
  const parts = Math.floor((2 * whole * d + 25400) / 50800);
  const inches = Math.floor(parts / d);
  const tail = fractionText(parts % d, d);
  return `${um < 0 && parts ? "-" : ""}${Math.floor(inches / 12)}' ${inches % 12}${tail && `-${tail}`}"`;
}

function fractionText(over, d) {
  if (!over) return "";
  let up = over, down = d;
  while (up % 2 === 0) { up /= 2; down /= 2; }
  return `${up}/${down}`;
}

// openings of joints: always with millimetres, since an eighth of an inch is coarse for them
function smallText(um) {
  const mm = `${(um / 1000).toFixed(1).replace(/\.0$/, "")} mm`;
  if (PLAN.units === "m") return mm;
  const d = Math.max(16, PLAN.inch_fraction);
  const parts = Math.floor((2 * Math.abs(um) * d + 25400) / 50800);
  const whole = Math.floor(parts / d), tail = fractionText(parts % d, d);
  const inches = [whole || !tail ? String(whole) : "", tail].filter(Boolean).join("-");
  return `${um < 0 && parts ? "-" : ""}${inches}" (${mm})`;
}

const METRES = { m: 1, mm: 0.001, cm: 0.01, km: 1000, ft: 0.3048, ftus: 1200 / 3937, in: 0.0254, yd: 0.9144, um: 1e-6 };
const NUMBER = "(?:\\d+(?:\\.\\d*)?|\\.\\d+)";
const PLAIN = new RegExp(`^\\s*([-+\u2212]?)\\s*(${NUMBER}(?:e[-+]?\\d{1,2})?)\\s*([a-z]+)\\s*$`, "i");
const FEET = new RegExp(
  `^\\s*([-+\u2212]?)\\s*(?:(${NUMBER})\\s*(?:'(?!')|\u2032|\u2019|ft\\b|feet\\b|foot\\b)\\s*-?\\s*)?` +
  `(?:(${NUMBER}(?:[\\s-]+\\d+\\s*/\\s*\\d+)?|\\d+\\s*/\\s*\\d+)\\s*(?:"|\u2033|\u201d|''|in\\b|inch(?:es)?\\b))?\\s*$`, "i");

// A length somebody typed, in whole micrometres, or null where it cannot be read.  What was typed is
// kept as it is all the same; this only says so at once, and how far it is from the plan.
function parseLength(text) {
  if (text.length > 60) return null;
  const plain = PLAIN.exec(text);
  if (plain && Object.hasOwn(METRES, plain[3].toLowerCase())) {
    const um = Math.round(Number(plain[2]) * METRES[plain[3].toLowerCase()] * 1e6);
    return plain[1] === "-" || plain[1] === "\u2212" ? -um : um;
  }
  const match = FEET.exec(text);
  if (!match || (match[2] === undefined && match[3] === undefined)) return null;
  const inches = match[3] === undefined ? 0 : mixed(match[3]);
  if (!Number.isFinite(inches)) return null;
  if (match[3] !== undefined && ((match[2] || "").includes(".") || (match[3].includes(".") && match[3].includes("/")))) return null;
  if (match[2] !== undefined && inches >= 12) return null;
  const um = Math.round((Number(match[2] || 0) * 12 + inches) * 25400);
  return match[1] === "-" || match[1] === "\u2212" ? -um : um;
}

function mixed(text) {
  return text.trim().replace(/\s*\/\s*/g, "/").split(/[\s-]+/).reduce((sum, part) => {
    const [up, down] = part.split("/");
    return sum + Number(up) / (down === undefined ? 1 : Number(down));
  }, 0);
}

const degrees = (tenths) => `${(Math.abs(tenths) / 10).toFixed(1).replace(/\.0$/, "")}°`;
