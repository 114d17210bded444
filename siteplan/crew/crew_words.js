// What is said of a piece: which way it goes on, its joint, its station.

const LEAST_TURN = 5;      // tenths of a degree below which a piece goes straight on
const GAP_MATTERS = 500;   // micrometres a joint may differ from the usual one before it is called out

function turnWords(k) {
  if (k === RUN_FIRST[runOf(k)]) {
    const heading = (P.heading[k] / 10 + (BACKWARDS ? 180 : 0)) % 360;
    return [0, `Begin here. Direction ${heading.toFixed(1)}° from grid north`];
  }
  const joint = P.joint[k], bend = P.bend[k], words = [];
  const side = (t) => (t > 0 ? "left" : "right");
  if (P.kind[k] === CORNER) {
    if (Math.abs(joint) >= LEAST_TURN) words.push(`at the joint ${side(joint)} ${degrees(joint)}`);
    return [bend, [`Turn ${side(bend)} ${degrees(bend)}`, ...words].join(", ")];
  }
  if (Math.abs(joint) >= LEAST_TURN) words.push(`Turn ${side(joint)} ${degrees(joint)} at the joint`);
  if (Math.abs(bend) >= LEAST_TURN) words.push(`${words.length ? "then bend" : "Bend"} ${side(bend)} ${degrees(bend)}`);
  return [Math.abs(joint) >= LEAST_TURN ? joint : bend, words.join(", ") || "Straight on"];
}

// what to say of the joint before a piece, and whether it is out of the ordinary
function jointWords(k) {
  const lines = [], usual = RUNS.gap_um[runOf(k)], leg = P.leg[k];
  if (P.space[k] < 0) {
    const first = k === RUN_FIRST[runOf(k)], open = !RUNS.closed[runOf(k)];
    const clear = BACKWARDS ? RUNS.um[runOf(k)] - P.from[k] - P.um[k] : P.from[k];
    if (first && open && clear > 0) lines.push([`Keep ${smallText(clear)} clear before it`, true]);
    if (first && !open && clear > GAP_MATTERS) lines.push([`Begins ${lengthText(clear)} from point A: the run closes there with its last piece`, true]);
    return [...lines, ...endWords(k)];
  }
  if (LEGS.joint[leg] && (k === 0 || P.leg[k - 1] !== leg)) return [[`Movement joint: keep ${smallText(P.space[k])} free`, true]];
  if (P.inner && P.joint[k] && Math.abs(P.outer[k] - P.inner[k]) > GAP_MATTERS) {
    lines.push([`Joint ${smallText(P.inner[k])} at the inner face, ${smallText(P.outer[k])} at the outer`, true]);
  } else {
    const other = Math.abs(P.gap[k] - usual) > GAP_MATTERS;
    lines.push([`Joint ${smallText(P.gap[k])}${other ? `, usually ${smallText(usual)}` : ""}`, other]);
  }
  if (P.leftOver[k] > 0) lines.push([`Leave ${smallText(P.leftOver[k])} more here: the leg comes out short by it`, true]);
  if (P.leftOver[k] < 0) lines.push([`Close up ${smallText(-P.leftOver[k])} here: the leg comes out over by it`, true]);
  lines.push(...endWords(k));
  return lines;
}

// what comes after the last piece of a run
function endWords(k) {
  const run = runOf(k), first = RUN_FIRST[run], lines = [];
  if (k !== RUN_FIRST[run + 1] - 1) return lines;
  if (!RUNS.closed[run]) {
    const leg = P.leg[k], free = BACKWARDS ? P.from[k] : RUNS.um[run] - P.from[k] - P.um[k];
    if (free > GAP_MATTERS) lines.push([`Leave ${smallText(free)} free after it: ${BACKWARDS ? LEGS.start[leg] : LEGS.far[leg]}`, true]);
  }
  if (RUNS.closed[run] && k === RUN_FIRST[run + 1] - 1 && k > first) {
    const left_ = P.leftOver[first];
    lines.push([`Closes on the first piece: joint ${smallText(P.gap[first])}${left_ ? ` ${left_ > 0 ? "and" : "less"} ${smallText(Math.abs(left_))} left-over` : ""}`, true]);
  }
  return lines;
}

function stationWords(k) {
  const to = P.from[k] + P.um[k], [a, b] = BACKWARDS ? [to, P.from[k]] : [P.from[k], to];
  return `Station ${lengthText(a)} to ${lengthText(b)}`;
}

// a corner unit stands where its arriving leg ends
function cornerLetter(k) {
  const points = POINTS_OF[runOf(k)];
  const p = points[(P.leg[k] - LEGS_OF[runOf(k)][0] + 1) % points.length];
  return p !== undefined && PLAN.points.corner[p] ? ` at ${PLAN.points.letter[p]}` : "";
}

const lengthWords = (k) => (P.kind[k] === CUT ? `cut to ${lengthText(P.cut[k])}` : lengthText(P.um[k]));
