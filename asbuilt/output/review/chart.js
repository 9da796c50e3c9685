"use strict";
/**
 * Two charts against level: overlap of a joint, deviations of a pile. True scale of figures, drawn as inline SVG.
 */
const Chart = (() => {
  const { svg, el } = Words;
  const WIDTH = 332;
  const HEIGHT = 264;
  const BOX = { left: 40, right: 8, top: 16, bottom: 30 };

  /**
   * @typedef {object} Scale
   * @property {(value: number) => number} at
   * @property {number} low
   * @property {number} high
   */

  /** @param {number} low @param {number} high @param {number} from @param {number} to pixels @returns {Scale} */
  function scale(low, high, from, to) {
    const step = (to - from) / (high - low);
    return { at: (value) => Math.round((from + (value - low) * step) * 10) / 10, low, high };
  }

  /** @param {number} low @param {number} high @param {number} most how many ticks at most @returns {number[]} */
  function ticks(low, high, most) {
    const rough = (high - low) / most;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((times) => times * power).find((size) => size >= rough) || rough;
    const first = Math.ceil(low / step - 1e-9);
    const count = Math.floor(high / step + 1e-9) - first + 1;
    return Array.from({ length: Math.max(0, count) }, (_, k) => (first + k) * step);
  }

  /** @param {(number | null | undefined)[]} values @returns {[number, number]} lowest, highest, a little room about */
  function reach(values) {
    const known = values.filter(Words.known);
    const low = Math.min(...known);
    const high = Math.max(...known);
    const room = 0.06 * (high - low) || 1;
    return [low - room, high + room];
  }

  /**
   * A line through what is known; where something is not, it is broken.
   * @param {Numbers} x @param {number[]} y @param {Scale} across @param {Scale} down
   */
  function path(x, y, across, down) {
    let pen = "M";
    return x
      .map((value, k) => {
        if (value === null) {
          pen = "M";
          return "";
        }
        const point = `${pen}${across.at(value)} ${down.at(y[k])}`;
        pen = "L";
        return point;
      })
      .join("");
  }

  /**
   * The area between two lines.
   * @param {Numbers} one @param {Numbers} other @param {number[]} y @param {Scale} across @param {Scale} down
   */
  function area(one, other, y, across, down) {
    const places = y.map((_, k) => k).filter((k) => one[k] !== null && other[k] !== null);
    if (!places.length) return "";
    const point = (/** @type {Numbers} */ x, /** @type {number} */ k) => `${across.at(Number(x[k]))} ${down.at(y[k])}`;
    return `M${[...places.map((k) => point(one, k)), ...places.reverse().map((k) => point(other, k))].join("L")}Z`;
  }

  /** @param {Record<string, unknown>} props */
  const line = (props) => svg("line", props);

  /** @param {number} x @param {number} y @param {string} text @param {Record<string, unknown>} [props] */
  const label = (x, y, text, props) => svg("text", { x, y, text, ...props });

  /** @param {Scale} down @param {number} left @param {number} right levels with their figures, and fine lines across */
  function levelAxis(down, left, right) {
    const marks = ticks(Math.min(down.low, down.high), Math.max(down.low, down.high), 7);
    const places = Number.isInteger(marks[0]) && marks.every(Number.isInteger) ? 0 : 1;
    return marks.flatMap((level) => [
      line({ class: "grid", x1: left, x2: right, y1: down.at(level), y2: down.at(level) }),
      label(left - 4, down.at(level) + 4, level === 0 ? "0" : Words.signed(level, places), { "text-anchor": "end" }),
    ]);
  }

  /** @param {Scale} across @param {number} top @param {number} bottom @param {number} most @param {boolean} [plus] */
  function figureAxis(across, top, bottom, most, plus) {
    return ticks(across.low, across.high, most).flatMap((value) => [
      line({ class: value === 0 ? "zero" : "grid", x1: across.at(value), x2: across.at(value), y1: top, y2: bottom }),
      label(across.at(value), bottom + 12, plus && value !== 0 ? Words.signed(value) : Words.mm(value), {
        "text-anchor": "middle",
      }),
    ]);
  }

  /** @param {Scale} down @param {number} left @param {number} right stages, named, where the chart reaches them */
  function stageLines(down, left, right) {
    const inside = DATA.stages.filter((one) => one.level <= down.high && one.level >= down.low);
    return inside.flatMap((one) => [
      line({ class: "stage", x1: left, x2: right, y1: down.at(one.level), y2: down.at(one.level) }),
      label(right - 2, down.at(one.level) - 2, Words.clean(one.name).slice(0, 18), {
        class: "fine",
        "text-anchor": "end",
      }),
    ]);
  }

  /** @param {Scale} down @param {number} left @param {number} right the level of the slice, moved by `move` */
  function sliceLine(down, left, right) {
    const mark = line({ class: "slice", x1: left, x2: right });
    const move = (/** @type {number} */ level) => {
      const inside = level <= down.high && level >= down.low;
      mark.setAttribute("visibility", inside ? "visible" : "hidden");
      if (!inside) return;
      mark.setAttribute("y1", String(down.at(level)));
      mark.setAttribute("y2", String(down.at(level)));
    };
    return { mark, move };
  }

  // hatches for lost and not sure, dense and light as in the elevation, once for all charts, the help and the print
  document.body.append(
    svg(
      "svg",
      { width: 0, height: 0, class: "hatches", "aria-hidden": true },
      svg(
        "pattern",
        { id: "lost-hatch", width: 4, height: 4, patternUnits: "userSpaceOnUse" },
        svg("path", { class: "lost-line", d: "M-1 1L1 -1M0 4L4 0M3 5L5 3" }),
      ),
      svg(
        "pattern",
        { id: "unsure-hatch", width: 9, height: 9, patternUnits: "userSpaceOnUse" },
        svg("path", { class: "unsure-line", d: "M0 9L5 4" }),
      ),
    ),
  );

  /** @param {number} j @param {Scale} down @param {number} left @param {number} right what the joint is, by level */
  function stateBands(j, down, left, right) {
    const { start, top, bottom, state } = DATA.joints.bands;
    return Array.from({ length: start[j + 1] - start[j] }, (_, k) => start[j] + k).map((b) => {
      const y = down.at(top[b]);
      const props = {
        class: `band ${DATA.joint_states[state[b]].replace(/ /g, "-")}`,
        x: left,
        y,
        width: right - left,
        height: Math.max(1, down.at(bottom[b]) - y),
      };
      return svg(
        "rect",
        props,
        svg("title", {
          text: `${DATA.joint_states[state[b]]} from ${Words.level(top[b])} to ` + Words.level(bottom[b]),
        }),
      );
    });
  }

  /** @param {string} says @param {Node[]} parts */
  const picture = (says, parts) =>
    svg(
      "svg",
      {
        class: "chart",
        viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
        role: "img",
        "aria-label": says,
      },
      .../** @type {(Node | string | null)[]} */ (parts),
    );

  /** @param {[string, string][]} pairs class of the line and what it is */
  const key = (pairs) =>
    el(
      "p",
      { class: "key" },
      ...pairs.map(([look, text]) =>
        el(
          "span",
          null,
          svg(
            "svg",
            { class: "chart sample", viewBox: "0 0 22 10", width: 22, height: 10, "aria-hidden": true },
            look.startsWith("band") || look === "spread"
              ? svg("rect", { class: look, x: 0, y: 1, width: 22, height: 8 })
              : look === "reading"
                ? svg("path", { class: look, d: "M11 1V9M7 5H15" })
                : line({ class: look, x1: 0, x2: 22, y1: 5, y2: 5 }),
          ),
          text,
        ),
      ),
    );

  /**
   * @typedef {object} Drawn
   * @property {HTMLElement} body
   * @property {(level: number) => void} move to the level of the slice
   */

  /** @param {number} j @returns {Drawn | null} overlap against level; null where nothing of it is known */
  function joint(j) {
    const { profile, required_mm, id } = DATA.joints;
    const [from, to] = [profile.start[j], profile.start[j + 1]];
    const level = profile.level.slice(from, to);
    const overlap = profile.overlap_mm.slice(from, to);
    const low = profile.low_mm.slice(from, to);
    const other = profile.other_mm.slice(from, to);
    if (!overlap.some(Words.known)) return null;
    const top = Number(DATA.joints.top[j]);
    const bottom = Number(DATA.joints.bottom[j]);
    const strip = WIDTH - BOX.right - 14;
    const floor = HEIGHT - BOX.bottom;
    const [least, most] = reach([...overlap, ...low, ...other, 0, required_mm[j]]);
    const across = scale(least, most, BOX.left, strip - 4);
    const room = 0.03 * (top - bottom) || 0.5;
    const down = scale(bottom - room, top + room, floor, BOX.top);
    const slice = sliceLine(down, BOX.left, strip + 14);
    const asked = across.at(required_mm[j]);
    const end = down.at(bottom);
    const body = el(
      "figure",
      null,
      picture(`Overlap of ${Words.clean(id[j])} against level: ${Items.short(id[j])}`, [
        ...levelAxis(down, BOX.left, strip),
        ...figureAxis(across, BOX.top, floor, 6),
        ...stageLines(down, BOX.left, strip - 4),
        ...stateBands(j, down, strip, strip + 14),
        svg("path", { class: "spread", d: area(overlap, low, level, across, down) }),
        line({ class: "asked", x1: asked, x2: asked, y1: BOX.top, y2: floor }),
        line({ class: "end", x1: BOX.left, x2: strip, y1: end, y2: end }),
        svg("path", { class: "other", d: path(other, level, across, down) }),
        svg("path", { class: "measured", d: path(overlap, level, across, down) }),
        slice.mark,
        label(2, 10, "level, m"),
        label((BOX.left + strip) / 2, HEIGHT - 4, "overlap, mm (negative: a gap)", { "text-anchor": "middle" }),
      ]),
      jointKey(j, other.some(Words.known)),
    );
    return { body, move: slice.move };
  }

  /** @param {number} j @param {boolean} other whether there is another lean model */
  function jointKey(j, other) {
    const bands = DATA.joints.bands;
    const found = new Set(bands.state.slice(bands.start[j], bands.start[j + 1]).map((code) => DATA.joint_states[code]));
    const states = DATA.joint_states.filter((name) => found.has(name));
    return key([
      ["measured", "overlap"],
      ["spread", `down to what is reached at ${DATA.confidence}`],
      .../** @type {[string, string][]} */ (other ? [["other", "other lean model"]] : []),
      ["asked", `asked for, ${Words.mm(DATA.joints.required_mm[j])} mm`],
      ["slice", "level of the plan"],
      .../** @type {[string, string][]} */ (states.map((name) => [`band ${name.replace(/ /g, "-")}`, name])),
    ]);
  }

  /**
   * @typedef {object} Side  one direction of a pile's deviation
   * @property {string} name
   * @property {Numbers} mm
   * @property {Numbers} u
   * @property {{level: number, mm: number, text: string}[]} readings
   */

  /** @param {number} k @returns {{level: number[], sides: Side[]}} */
  function sidesOf(k) {
    const p = DATA.piles.profile;
    const level = p.level.slice(p.start[k], p.start[k + 1]);
    const part = (/** @type {Numbers} */ column) => column.slice(p.start[k], p.start[k + 1]);
    return {
      level,
      sides: [
        {
          name: p.first[k],
          mm: part(p.a_mm),
          u: part(p.ua_mm),
          readings: readings(k, level, part(p.a_mm), p.reading_a_mm_per_m),
        },
        {
          name: p.second[k],
          mm: part(p.b_mm),
          u: part(p.ub_mm),
          readings: readings(k, level, part(p.b_mm), p.reading_b_mm_per_m),
        },
      ],
    };
  }

  /**
   * Where the axis would pass at the level of each reading if it ran straight, as that reading leans, from the surveyed
   * centre.
   * @param {number} k @param {number[]} level @param {Numbers} mm @param {number[]} lean
   */
  function readings(k, level, mm, lean) {
    const from = DATA.piles.figures.surveyed_level?.[k];
    const p = DATA.piles.profile;
    if (!Words.known(from)) return [];
    const head = between(level, mm, from);
    const rows = Array.from({ length: p.reading_start[k + 1] - p.reading_start[k] }, (_, i) => p.reading_start[k] + i);
    return head === null
      ? []
      : rows.map((i) => ({
          level: p.reading_level[i],
          mm: head + lean[i] * (from - p.reading_level[i]),
          text: `reading at ${Words.level(p.reading_level[i])}: ${Words.signed(lean[i], 1)} mm/m`,
        }));
  }

  /** @param {number[]} level from the top down @param {Numbers} mm @param {number} z straight between, null outside */
  function between(level, mm, z) {
    const k = level.findIndex((here) => here <= z);
    if (k < 0) return null;
    const [here, above] = [mm[k], k ? mm[k - 1] : null];
    if (here === null || level[k] === z || above === null) return here;
    return here + ((z - level[k]) * (above - here)) / (level[k - 1] - level[k]);
  }

  /** @param {number} k @param {number} z allowed [mm] at a level: in plan at cut-off, and the lean below it */
  function allowed(k, z) {
    const { allowed_mm, allowed_mm_per_m } = DATA.piles.figures;
    const [plan, lean] = [allowed_mm?.[k], allowed_mm_per_m?.[k]];
    if (!Words.known(plan)) return null;
    return plan + (Words.known(lean) ? lean * Math.max(0, DATA.piles.cut_off[k] - z) : 0);
  }

  /** @param {number} k @returns {Drawn | null} deviations in two directions against level */
  function pile(k) {
    const { level, sides } = sidesOf(k);
    if (!sides[0].mm.some(Words.known)) return null;
    const floor = HEIGHT - BOX.bottom;
    const bottom = Math.min(...level);
    const top = Math.max(...level);
    const down = scale(bottom, top + 0.02 * (top - bottom), floor, BOX.top);
    const limits = level.map((z) => allowed(k, z));
    const spread = sides.flatMap((side) =>
      side.mm.flatMap((mm, i) => (mm === null ? [] : [mm - 2 * (side.u[i] || 0), mm + 2 * (side.u[i] || 0)])),
    );
    const points = sides.flatMap((side) => side.readings.map((reading) => reading.mm));
    const most = Math.max(...reach([...spread, ...points, ...limits, 10]).map(Math.abs));
    const slice = sliceLine(down, BOX.left, WIDTH - BOX.right);
    const wide = (WIDTH - BOX.left - BOX.right - 14) / 2;
    const panels = sides.flatMap((side, i) => {
      const left = BOX.left + i * (wide + 14);
      return panel(side, level, limits, scale(-most, most, left, left + wide), down);
    });
    const says =
      `Deviation of ${Words.clean(DATA.piles.id[k])} from its design centre against level: ` +
      (Items.short(DATA.piles.id[k]) || "within");
    const body = el(
      "figure",
      null,
      picture(
        says,
        [
          ...levelAxis(down, BOX.left, WIDTH - BOX.right),
          ...stageLines(down, BOX.left, WIDTH - BOX.right),
          ...panels,
          predictedLine(k, down),
          label(2, 10, "m"),
          slice.mark,
        ].filter((part) => part !== null),
      ),
      key([
        ["measured", "axis"],
        ["spread", "\u00b1 2 standard uncertainties"],
        ["reading", "reading"],
        ["asked", "allowed"],
        ["predicted", "predicted below"],
        ["slice", "level of the plan"],
      ]),
    );
    return { body, move: slice.move };
  }

  /** @param {number} k @param {Scale} down */
  function predictedLine(k, down) {
    const from = DATA.piles.predicted_below[k];
    if (from === null || from < down.low || from > down.high) return null;
    return line({ class: "predicted", x1: BOX.left, x2: WIDTH - BOX.right, y1: down.at(from), y2: down.at(from) });
  }

  /** @param {Side} side @param {number[]} level @param {Numbers} limits @param {Scale} across @param {Scale} down */
  function panel(side, level, limits, across, down) {
    const floor = HEIGHT - BOX.bottom;
    const out = (/** @type {number} */ times) =>
      side.mm.map((mm, i) => (mm === null ? null : mm + times * (side.u[i] || 0)));
    const minus = limits.map((limit) => (limit === null ? null : -limit));
    const middle = across.at(0);
    return [
      ...figureAxis(across, BOX.top, floor, 4, true),
      svg("path", { class: "spread", d: area(out(-2), out(2), level, across, down) }),
      svg("path", { class: "asked", d: path(limits, level, across, down) + path(minus, level, across, down) }),
      svg("path", { class: "measured", d: path(side.mm, level, across, down) }),
      ...side.readings.map((reading) =>
        svg(
          "path",
          { class: "reading", d: `M${across.at(reading.mm)} ${down.at(reading.level) - 4}v8m-4 -4h8` },
          svg("title", { text: reading.text }),
        ),
      ),
      label(middle, 10, side.name, { "text-anchor": "middle" }),
      label(middle, HEIGHT - 4, "mm", { "text-anchor": "middle" }),
    ];
  }

  return { joint, pile };
})();
