"use strict";
/**
 * The wall at a level, exactly as the run has it: the axes are straight between their vertices, so nothing is sampled.
 *
 * A slice of all piles and joints is worked out once per level into arrays that are used again for the next one.
 *
 * @typedef {object} Slice
 * @property {number} level
 * @property {Float64Array} e  where the axis passes; NaN where not known. Asked beyond cut-off and toe as well
 * @property {Float64Array} n
 * @property {Uint8Array} stands  whether the pile is there at this level
 * @property {Uint8Array} predicted  whether the level lies below its deepest reading
 * @property {Float64Array} overlap  by joint [mm]; NaN where not known and outside the joint's range
 * @property {Int8Array} state  by joint, place in DATA.joint_states; -1 outside its range
 * @property {number[]} counts  joints in each state
 *
 * @typedef {object} Opening  hull of two circles less both: tangents at `half` either side of `towards`
 * @property {number} ea
 * @property {number} na
 * @property {number} ra
 * @property {number} eb
 * @property {number} nb
 * @property {number} rb
 * @property {number} towards  direction from a to b, anticlockwise from east [rad]
 * @property {number} half  angle from it to the points of contact [rad]
 *
 * @typedef {object} Reach  where a pile or joint stands on the elevation [m]
 * @property {number} left
 * @property {number} right
 */
const Geometry = (() => {
  const { piles, joints, walls } = DATA;
  const many = piles.id.length;
  const pairs = joints.id.length;
  /** Levels that differ by less are one: what rounding leaves. */
  const SAME = 1e-9;
  /** What a level is rounded to in the results [m]: at the figure where a joint is lost, it is lost. */
  const ROUNDED = 1e-4;

  /** @param {Numbers} values @param {number} instead of null */
  const floats = (values, instead) => Float64Array.from(values, (value) => (value === null ? instead : value));

  const start = Int32Array.from(piles.axes.start);
  const top = floats(piles.axes.top, Infinity);
  const z0 = floats(piles.axes.z0, NaN);
  const axisE = floats(piles.axes.e, NaN);
  const axisN = floats(piles.axes.n, NaN);
  const slopeE = floats(piles.axes.se, NaN);
  const slopeN = floats(piles.axes.sn, NaN);
  const cutOff = floats(piles.cut_off, NaN);
  const toe = floats(piles.toe, NaN);
  const predictedBelow = floats(piles.predicted_below, -Infinity);
  /** Levels between which the axis is known. */
  const [knownTop, knownBottom] = [1, -1].map((side) => Float64Array.from(piles.predicted_below, (deepest, k) =>
    deepest === null ? z0[start[k]] + side * DATA.no_axis_reach : side * Infinity));
  const omitted = Uint8Array.from(piles.status, (status) => (status === "omitted" ? 1 : 0));
  const rangeTop = floats(joints.top, NaN);
  const rangeBottom = floats(joints.bottom, NaN);
  const bandStart = Int32Array.from(joints.bands.start);
  const bandTop = floats(joints.bands.top, NaN);

  /** @param {number} k @param {number} z place of the axis segment that holds there; -1 for none */
  function segment(k, z) {
    let at = start[k];
    const end = start[k + 1];
    if (at === end || z > knownTop[k] + SAME || z < knownBottom[k] - SAME) return -1;
    while (at + 1 < end && top[at + 1] >= z) at++;
    return at;
  }

  /** @param {number} k @param {number} z */
  function stands(k, z) {
    return !omitted[k] && cutOff[k] + SAME >= z && toe[k] - SAME <= z;
  }

  /** @param {number} k @param {number} z @returns {[number, number] | null} also where the pile has ended */
  function axis(k, z) {
    const at = segment(k, z);
    if (at < 0) return null;
    const depth = z0[at] - z;
    return [axisE[at] + slopeE[at] * depth, axisN[at] + slopeN[at] * depth];
  }

  /** @param {number} j @param {number} z */
  const inRange = (j, z) => rangeTop[j] + SAME >= z && rangeBottom[j] - SAME <= z;

  /** @param {number} j @param {number} z @returns {number} -1 outside its range */
  function state(j, z) {
    const from = bandStart[j];
    if (!inRange(j, z) || from === bandStart[j + 1]) return -1;
    let at = from;
    // where one band ends and the next begins the lower holds: a level at which it is lost counts as lost
    while (at + 1 < bandStart[j + 1] && bandTop[at + 1] + ROUNDED >= z) at++;
    return joints.bands.state[at];
  }

  /** @type {Slice} */
  const slice = {
    level: NaN,
    e: new Float64Array(many), n: new Float64Array(many),
    stands: new Uint8Array(many), predicted: new Uint8Array(many),
    overlap: new Float64Array(pairs), state: new Int8Array(pairs),
    counts: DATA.joint_states.map(() => 0),
  };

  /** @param {number} z @returns {Slice} the same arrays every time: read it, do not keep it */
  function at(z) {
    if (slice.level === z) return slice;
    slice.level = z;
    slicePiles(z);
    sliceJoints(z);
    return slice;
  }

  /** @param {number} z */
  function slicePiles(z) {
    for (let k = 0; k < many; k++) {
      const s = segment(k, z);
      const depth = s < 0 ? NaN : z0[s] - z;
      slice.e[k] = s < 0 ? NaN : axisE[s] + slopeE[s] * depth;
      slice.n[k] = s < 0 ? NaN : axisN[s] + slopeN[s] * depth;
      slice.stands[k] = stands(k, z) ? 1 : 0;
      slice.predicted[k] = z < predictedBelow[k] - SAME ? 1 : 0;
    }
  }

  /** @param {number} z */
  function sliceJoints(z) {
    slice.counts.fill(0);
    for (let j = 0; j < pairs; j++) {
      const code = state(j, z);
      slice.state[j] = code;
      if (code >= 0) slice.counts[code]++;
      slice.overlap[j] = inRange(j, z) ? overlapOf(j) : NaN;
    }
  }

  /** @param {number} j from the piles of the slice [mm] */
  function overlapOf(j) {
    const a = joints.a[j];
    const b = joints.b[j];
    const distance = Math.hypot(slice.e[b] - slice.e[a], slice.n[b] - slice.n[a]);
    return 1000 * (piles.r[a] + piles.r[b] - distance);
  }

  /** @param {number} j @param {number} z @returns {number | null} [mm] */
  function overlap(j, z) {
    if (!inRange(j, z)) return null;
    const a = axis(joints.a[j], z);
    const b = axis(joints.b[j], z);
    if (!a || !b) return null;
    const value = 1000 * (piles.r[joints.a[j]] + piles.r[joints.b[j]] - Math.hypot(b[0] - a[0], b[1] - a[1]));
    return Number.isFinite(value) ? value : null;
  }

  /** @param {number} j @param {number} z @returns {number} pile of it whose toe lies above the level; -1: none */
  function ended(j, z) {
    const found = [joints.a[j], joints.b[j]].find((k) => toe[k] - SAME > z);
    return found === undefined ? -1 : found;
  }

  /** @param {number} j @param {number} z @returns {Opening | null} */
  function opening(j, z) {
    const gap = overlap(j, z);
    const a = axis(joints.a[j], z);
    const b = axis(joints.b[j], z);
    if (gap === null || gap >= 0 || !a || !b) return null;
    const [ra, rb] = [piles.r[joints.a[j]], piles.r[joints.b[j]]];
    const [east, north] = [b[0] - a[0], b[1] - a[1]];
    return {
      ea: a[0], na: a[1], ra, eb: b[0], nb: b[1], rb,
      towards: Math.atan2(north, east),
      half: Math.acos((ra - rb) / Math.hypot(east, north)),
    };
  }

  /** @param {number} j @returns {number} distance of its two design centres [m] */
  function spacing(j) {
    const [a, b] = [joints.a[j], joints.b[j]];
    return Math.hypot(Number(piles.e[b]) - Number(piles.e[a]), Number(piles.n[b]) - Number(piles.n[a]));
  }

  const wallOf = new Map(walls.map((wall) => [wall.id, wall]));

  /** Walls whose chainage runs to the left for who looks at them from the pit: the pit lies left of the way along. */
  const mirrored = new Set(walls.filter((wall) => turnOf(wall.id) > 0).map((wall) => wall.id));

  /** @param {string} wall */
  function turnOf(wall) {
    let turn = 0;
    joints.wall.forEach((name, j) => {
      const [a, b] = [joints.a[j], joints.b[j]];
      if (name !== wall || joints.chainage[j] === null) return;
      const [east, north] = [Number(piles.e[b]) - Number(piles.e[a]), Number(piles.n[b]) - Number(piles.n[a])];
      turn += Math.sign(east * Number(piles.pit_n[a]) - north * Number(piles.pit_e[a]));
    });
    return turn;
  }

  /** @param {number} j @returns {boolean} whether it stands behind its wall's end, not between two places of it */
  const isExtra = (j) => Number(joints.chainage[j]) > (wallOf.get(joints.wall[j]) || { end: Infinity }).end;

  /**
   * Place on the elevation as it is seen from the pit.
   * @param {string} id of a wall @param {number} along the elevation as the run lays it out
   */
  function unrolled(id, along) {
    const wall = wallOf.get(id);
    return wall && mirrored.has(id) && along <= wall.end ? wall.start + wall.end - along : along;
  }

  /** Place of each pile along the elevation [m]; NaN where the joints do not say. */
  const chainage = new Float64Array(many).fill(NaN);
  joints.chainage.forEach((middle, j) => {
    if (middle === null || isExtra(j)) return;
    const half = spacing(j) / 2;
    // the joint that closes a wall comes last, when its second pile has its place already
    if (Number.isNaN(chainage[joints.a[j]])) chainage[joints.a[j]] = middle - half;
    if (Number.isNaN(chainage[joints.b[j]])) chainage[joints.b[j]] = middle + half;
  });

  /** Width of an ordinary strip of the elevation [m]. */
  const strip = (() => {
    const wide = joints.id.map((_, j) => spacing(j)).filter(Number.isFinite).sort((a, b) => a - b);
    return wide.length ? wide[wide.length >> 1] : 1;
  })();

  /** @type {(Reach | null)[]} strips of the joints */
  const reaches = joints.chainage.map((middle, j) => {
    if (middle === null) return null;
    const [half, at] = [(isExtra(j) ? 0.8 * strip : spacing(j)) / 2, unrolled(joints.wall[j], middle)];
    return { left: at - half, right: at + half };
  });

  /** Every pile and joint in the order of the walls, those without a place in it at the end. */
  const order = (() => {
    const rank = new Map(walls.map((wall, place) => [wall.id, place]));
    const rows = [
      ...piles.id.map((id, k) => ({ id, wall: rank.get(piles.wall[k]), at: chainage[k] })),
      ...joints.id.map((id, j) => ({ id, wall: rank.get(joints.wall[j]), at: floatOf(joints.chainage[j]) })),
    ].map((row, place) => ({ ...row, place, wall: row.wall === undefined ? walls.length : row.wall }));
    const last = (/** @type {number} */ value) => (Number.isNaN(value) ? Infinity : value);
    rows.sort((a, b) => a.wall - b.wall || (last(a.at) < last(b.at) ? -1 : 0) || (last(a.at) > last(b.at) ? 1 : 0)
      || a.place - b.place);
    return rows.map((row) => row.id);
  })();
  const placeInOrder = new Map(order.map((id, place) => [id, place]));

  /** @param {number | null} value */
  function floatOf(value) {
    return value === null ? NaN : value;
  }

  /** @param {string} item a pile, a joint, or a finding on one @returns {string} the pile or joint, "" for none */
  function subject(item) {
    if (PLACES.has(item)) return item;
    const finding = DATA.findings.find((one) => one.id === item);
    return finding && PLACES.has(finding.item) ? finding.item : "";
  }

  /** @param {string} item @param {number} by steps along the walls @param {string} [kind] only a pile or a joint */
  function step(item, by, kind) {
    const from = placeInOrder.get(subject(item));
    let at = from === undefined ? (by > 0 ? -1 : 0) : from;
    for (let tries = 0; tries < order.length; tries++) {
      at = (at + by + order.length) % order.length;
      const found = PLACES.get(order[at]);
      if (!kind || (found && found.kind === kind)) return order[at];
    }
    return item;
  }

  /** @param {string} item @returns {number[]} its piles: one, or the two of a joint */
  function pilesOf(item) {
    const found = PLACES.get(subject(item));
    if (!found) return [];
    return found.kind === "pile" ? [found.place] : [joints.a[found.place], joints.b[found.place]];
  }

  /** @param {number} k @returns {number[]} joints that the pile belongs to */
  function jointsOf(k) {
    return pileJoints[k];
  }

  /** @type {number[][]} */
  const pileJoints = piles.id.map(() => []);
  for (let j = 0; j < pairs; j++) {
    pileJoints[joints.a[j]].push(j);
    pileJoints[joints.b[j]].push(j);
  }

  return {
    at, axis, stands, state, overlap, opening, ended, order, step, subject, pilesOf, jointsOf,
    chainage, strip, unrolled, reaches,
    /** @param {number} k @param {number} z @returns {[number, number] | null} null: not known, or not there */
    centre: (k, z) => (stands(k, z) ? axis(k, z) : null),
    /** @param {number} k @param {number} z whether the level lies below the deepest reading */
    predicted: (k, z) => z < predictedBelow[k] - SAME,
  };
})();
