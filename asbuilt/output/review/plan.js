"use strict";
/**
 * The wall in plan at one level: circles at their true places, what is between neighbours, and movements enlarged.
 *
 * No circle is ever moved for the sake of being seen: only arrows are enlarged, and the picture says by how much.
 */
const Plan = (() => {
  const { piles, joints } = DATA;
  const canvas = /** @type {HTMLCanvasElement} */ (document.getElementById("plan"));
  const says = /** @type {HTMLElement} */ (document.getElementById("plan-says"));
  const shown = /** @type {HTMLElement} */ (document.getElementById("plan-level"));
  const [OPEN, LOST, NOT_SURE, SURE, UNKNOWN] = ["open", "lost", "not sure", "sure", "not surveyed"].map((word) =>
    DATA.joint_states.indexOf(word));
  const designE = Float64Array.from(piles.e, (value) => (value === null ? NaN : value));
  const designN = Float64Array.from(piles.n, (value) => (value === null ? NaN : value));
  const TURN = 2 * Math.PI;
  /** Circles smaller than this show no dashes, lenses or arrows [px]. */
  const SMALL = 3;
  /** Circles smaller than this are drawn as dots [px]. */
  const DOT = 1.5;
  /** Kept free at the left for the legend [px]. */
  const LEGEND = 145;

  /** What is drawn just now. @typedef {object} Scene
   * @property {CanvasRenderingContext2D} ctx
   * @property {View} view
   * @property {Record<string, string>} colours
   * @property {Slice} slice
   * @property {number[]} seen  piles within the picture that are there at this level
   * @property {number[]} pairs  joints within the picture
   * @property {ReturnType<typeof Paper.lettering>} letters
   */

  /** @param {number} k @returns {boolean} whether the survey says where it is at this level */
  const located = (k) => slice().stands[k] === 1 && !Number.isNaN(slice().e[k]);
  const slice = () => Geometry.at(Store.get().level);
  /** @param {number} k where it is drawn: as built, else as designed */
  const placeE = (k) => (located(k) ? slice().e[k] : designE[k]);
  /** @param {number} k */
  const placeN = (k) => (located(k) ? slice().n[k] : designN[k]);

  /** @type {Box} */
  const whole = (() => {
    /** @type {Box} */
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    piles.id.forEach((_, k) => {
      if (Number.isNaN(designE[k]) || Number.isNaN(designN[k])) return;
      widen(box, designE[k] - piles.r[k], designN[k] - piles.r[k]);
      widen(box, designE[k] + piles.r[k], designN[k] + piles.r[k]);
    });
    return box[0] <= box[2] ? box : [0, 0, 1, 1];
  })();

  /** @param {Box} box @param {number} e @param {number} n */
  function widen(box, e, n) {
    box[0] = Math.min(box[0], e);
    box[1] = Math.min(box[1], n);
    box[2] = Math.max(box[2], e);
    box[3] = Math.max(box[3], n);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Record<string, string>} colours */
  function draw(ctx, view, colours) {
    const scene = look(ctx, view, colours);
    ctx.fillStyle = colours.panel;
    ctx.fillRect(0, 0, view.width, view.height);
    Frame.ground(scene);
    drawDesign(scene);
    drawFills(scene);
    drawBetween(scene);
    drawOutlines(scene);
    drawArrows(scene);
    drawMarks(scene);
    drawChosen(scene);
    Frame.furniture(scene);
    drawNames(scene);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Record<string, string>} colours */
  function look(ctx, view, colours) {
    const [seen, pairs] = [/** @type {number[]} */ ([]), /** @type {number[]} */ ([])];
    const inside = new Uint8Array(piles.id.length);
    for (let k = 0; k < inside.length; k++) {
      const [x, y, r] = [view.x(placeE(k)), view.y(placeN(k)), piles.r[k] * view.sx + 30];
      if (!(x > -r && y > -r && x < view.width + r && y < view.height + r)) continue;
      inside[k] = 1;
      if (slice().stands[k]) seen.push(k);
    }
    joints.a.forEach((a, j) => {
      if (inside[a] || inside[joints.b[j]]) pairs.push(j);
    });
    return { ctx, view, colours, slice: slice(), seen, pairs, letters: Paper.lettering(ctx, view, colours) };
  }

  /** @param {Scene} scene @param {number} k adds its circle to the path */
  function circle({ ctx, view }, k, e = placeE(k), n = placeN(k)) {
    const [x, y, r] = [view.x(e), view.y(n), Math.max(piles.r[k] * view.sx, 0.7)];
    ctx.moveTo(x + r, y);
    ctx.arc(x, y, r, 0, TURN);
  }

  /** @param {Scene} scene */
  function drawDesign(scene) {
    const { ctx, colours, view } = scene;
    const large = scene.seen.filter((k) => piles.r[k] * view.sx >= SMALL);
    ctx.beginPath();
    for (const k of large) if (located(k)) circle(scene, k, designE[k], designN[k]);
    Frame.line(ctx, colours.soft, 0.6, Paper.DESIGN);
  }

  /** @param {Scene} scene outside solid, unresolved hatched; thinned, so that what lies over it can be read */
  function drawFills(scene) {
    const { ctx, colours, view } = scene;
    if (view.sx * 0.5 < DOT) return;
    for (const name of ["outside", "unresolved"]) {
      ctx.beginPath();
      for (const k of scene.seen) if (Looks.at(k, scene.slice.level) === name && located(k)) circle(scene, k);
      ctx.globalAlpha = name === "outside" ? 0.45 : 0.7;
      ctx.fillStyle = name === "outside" ? colours.outside : Paper.hatch(ctx, view, "rising", colours.unresolved);
      ctx.fill();
    }
    ctx.globalAlpha = 1;
  }

  /** @param {Scene} scene what neighbours share, and what gapes between them */
  function drawBetween(scene) {
    const { ctx, colours, view } = scene;
    if (view.sx * 0.5 < SMALL) return;
    ctx.fillStyle = colours.within;
    ctx.globalAlpha = 0.35;
    const both = scene.pairs.filter((j) => located(joints.a[j]) && located(joints.b[j]));
    for (const j of both) {
      const [a, b] = [joints.a[j], joints.b[j]];
      if (scene.slice.state[j] !== SURE) continue;
      Frame.lens(ctx, [view.x(placeE(a)), view.y(placeN(a)), piles.r[a] * view.sx],
        [view.x(placeE(b)), view.y(placeN(b)), piles.r[b] * view.sx]);
    }
    ctx.globalAlpha = 1;
    ctx.fillStyle = colours.outside;
    for (const j of both) {
      const hole = scene.slice.state[j] === OPEN && Geometry.opening(j, scene.slice.level);
      if (hole) Frame.opening(ctx, view, hole);
    }
  }

  /** @param {Scene} scene circles as built as their verdict here looks; where nothing is known, the design's */
  function drawOutlines(scene) {
    const { colours, slice: cut } = scene;
    /** @type {Map<string, number[]>} */
    const groups = new Map();
    for (const k of scene.seen) {
      const name = !located(k) ? "unsurveyed" : Looks.at(k, cut.level) + (cut.predicted[k] ? " predicted" : "");
      const group = groups.get(name);
      if (group) group.push(k);
      else groups.set(name, [k]);
    }
    for (const name of ["unsurveyed", "none", "within", "unresolved", "outside"]) {
      for (const kind of [name, name + " predicted"]) outline(scene, name, kind, groups.get(kind) || []);
    }
    drawEnded(scene, colours);
  }

  /** @param {Scene} scene @param {string} name @param {string} kind @param {number[]} group */
  function outline(scene, name, kind, group) {
    const { ctx, view, colours } = scene;
    if (!group.length) return;
    const { width, dash } = Paper.LINES[name];
    const small = view.sx * 0.5 < 8;
    ctx.beginPath();
    if (view.sx * piles.r[group[0]] < DOT) {
      dots(scene, name, group);
      return;
    }
    for (const k of group) circle(scene, k);
    ctx.globalAlpha = kind === name ? 1 : 0.85;
    const broken = kind === name ? dash : Paper.PREDICTED;
    Frame.line(ctx, name === "none" ? colours.soft : colours[name], small ? Math.min(width, 1.6) : width,
      small ? broken.map((part) => part / 1.6) : broken);
    ctx.globalAlpha = 1;
  }

  /** @param {Scene} scene @param {string} name @param {number[]} group too small for a line to have a look */
  function dots({ ctx, view, colours }, name, group) {
    const half = name === "outside" ? 1.5 : 1;
    for (const k of group) ctx.rect(view.x(placeE(k)) - half, view.y(placeN(k)) - half, 2 * half, 2 * half);
    ctx.fillStyle = name === "none" ? colours.soft : colours[name];
    ctx.fill();
  }

  /** @param {Scene} scene @param {Record<string, string>} colours piles that end above: where they would be */
  function drawEnded(scene, colours) {
    const { ctx, slice: cut } = scene;
    ctx.beginPath();
    for (const j of scene.pairs) {
      if (cut.state[j] !== OPEN) continue;
      for (const k of [joints.a[j], joints.b[j]]) {
        if (!cut.stands[k] && !Number.isNaN(cut.e[k])) circle(scene, k, cut.e[k], cut.n[k]);
      }
    }
    Frame.line(ctx, colours.outside, 1, [1, 3]);
  }

  /** @param {Scene} scene from the design centre, enlarged */
  function drawArrows({ ctx, view, colours, slice: cut, seen }) {
    const times = Store.get().exaggeration;
    ctx.beginPath();
    for (const k of seen) {
      if (!located(k)) continue;
      const [x, y] = [view.x(designE[k]), view.y(designN[k])];
      const [dx, dy] = [(cut.e[k] - designE[k]) * times * view.sx, -(cut.n[k] - designN[k]) * times * view.sx];
      Frame.arrow(ctx, x, y, dx, dy);
    }
    Frame.line(ctx, colours.panel, 2.6);
    Frame.line(ctx, colours.ink, 1);
  }

  /** @param {number} j @returns {[number, number, number, number]} middle of the joint, and the unit vector along it */
  function middle(j) {
    const [a, b] = [joints.a[j], joints.b[j]];
    const [ea, na, eb, nb] = located(a) && located(b)
      ? [placeE(a), placeN(a), placeE(b), placeN(b)] : [designE[a], designN[a], designE[b], designN[b]];
    const d = Math.hypot(eb - ea, nb - na) || 1;
    const at = (d + piles.r[a] - piles.r[b]) / 2;
    return [ea + ((eb - ea) * at) / d, na + ((nb - na) * at) / d, (eb - ea) / d, (nb - na) / d];
  }

  /** @param {Scene} scene what each joint is at this level, told apart by shape */
  function drawMarks(scene) {
    const { slice: cut } = scene;
    for (const k of scene.seen) Frame.pileMark(scene, k, placeE(k), placeN(k), located(k));
    for (const code of [UNKNOWN, NOT_SURE, LOST, OPEN]) {
      for (const j of scene.pairs) if (cut.state[j] === code) mark(scene, j, code);
    }
  }

  /** @param {Scene} scene @param {number} j @param {number} code */
  function mark({ ctx, view, colours }, j, code) {
    const [e, n, ue, un] = middle(j);
    const size = Math.min(Math.max(piles.r[joints.a[j]] * view.sx * 0.5, 2.2), 9);
    Frame.jointMark(ctx, colours, code, view.x(e), view.y(n), size, Math.atan2(-un, ue));
  }

  /** @param {Scene} scene the chosen item in a ring, however small it is */
  function drawChosen(scene) {
    const { ctx, view, colours } = scene;
    const ring = ringOf(view);
    if (!ring) return;
    ctx.beginPath();
    ctx.arc(ring.x, ring.y, ring.r, 0, TURN);
    Frame.line(ctx, colours.panel, 6);
    Frame.line(ctx, colours.mark, 2.8);
  }

  /** @param {View} view */
  function ringOf(view) {
    const found = PLACES.get(Geometry.subject(Store.get().item));
    if (!found) return null;
    const k = found.kind === "pile" ? found.place : joints.a[found.place];
    const [e, n] = found.kind === "pile" ? [placeE(k), placeN(k)] : middle(found.place);
    const size = piles.r[k] * view.sx * (found.kind === "pile" ? 1.25 : 0.95);
    return { x: view.x(e), y: view.y(n), r: Math.max(size, 10) };
  }

  /** @param {Scene} scene ids: the chosen one, its neighbours, the gravest, then what there is room for */
  function drawNames(scene) {
    const { view, letters, colours } = scene;
    writeChosen(scene);
    writeGaps(scene);
    Frame.pit(scene);
    const chosen = Geometry.pilesOf(Store.get().item);
    const beside = new Set(chosen);
    for (const k of chosen) for (const j of Geometry.jointsOf(k)) beside.add(joints.a[j]).add(joints.b[j]);
    const small = Math.min(...scene.seen.slice(0, 1).map((k) => piles.r[k])) * view.sx < 9;
    for (const k of beside) writePile(scene, k, true);
    const order = scene.seen.filter((k) => !small || Looks.at(k, scene.slice.level) === "outside");
    for (const k of order) if (!beside.has(k)) writePile(scene, k, false);
    if (small) scene.seen.filter((_, place) => place % 10 === 0).forEach((k) => {
      const [x, y, align] = besideOf(view, k);
      letters.write(Words.clean(piles.id[k]), x, y, { size: 10, colour: colours.soft, align });
    });
  }

  /** @param {Scene} scene @param {number} k @param {boolean} bold */
  function writePile({ view, letters, colours }, k, bold) {
    const id = Words.clean(piles.id[k]);
    if (piles.r[k] * view.sx > 26) {
      letters.write(id, view.x(placeE(k)), view.y(placeN(k)) + 12, { size: 11, bold });
      return;
    }
    const [x, y, align] = besideOf(view, k);
    letters.write(id, x, y, { size: 10, bold, colour: bold ? colours.ink : colours.soft, align });
  }

  /**
   * Where a pile's id goes: on the ground's side of it, away from the pit.
   * @param {View} view @param {number} k
   * @returns {[number, number, "left" | "center" | "right"]}
   */
  function besideOf(view, k) {
    const [pe, pn] = [piles.pit_e[k] || 0, piles.pit_n[k] || 0];
    const [dx, dy] = pe || pn ? [-pe, pn] : [0, -1];
    const reach = Math.max(piles.r[k] * view.sx, 4) + 5;
    const align = dx > 0.35 ? "left" : dx < -0.35 ? "right" : "center";
    return [view.x(placeE(k)) + dx * reach, view.y(placeN(k)) + dy * (reach + 3), align];
  }

  /** @param {Scene} scene its id and what it is here, beside the ring on the pit's side, where there are no ids */
  function writeChosen({ ctx, view, letters, slice: cut }) {
    const item = Geometry.subject(Store.get().item);
    const [ring, found] = [ringOf(view), PLACES.get(item)];
    if (!ring || !found) return;
    const k = Geometry.pilesOf(item)[0];
    const [dx, dy] = [piles.pit_e[k] || 0, piles.pit_n[k] ? -piles.pit_n[k] : piles.pit_e[k] ? 0 : -1];
    const words = Frame.shortened(ctx, stateWords(found, cut), 200);
    const name = Frame.shortened(ctx, Words.clean(item), 180);
    ctx.font = `600 13px ${Paper.family}`;
    const half = Math.max(ctx.measureText(name).width, 0.85 * ctx.measureText(words).width) / 2;
    // the block of text just clears the ring on the side that it goes to, and is kept within the picture
    const beside = Math.abs(dx) > Math.abs(dy);
    const right = beside ? Math.sign(dx) * (ring.r + 6 + half) : dx * half;
    const down = beside ? dy * 15 : Math.sign(dy) * (ring.r + 21);
    const least = half + 4 + (Frame.hasLegend(view) ? LEGEND : 0);
    const x = Math.min(Math.max(ring.x + right, least), view.width - half - 4);
    const y = Math.min(Math.max(ring.y + down, 18), view.height - 34);
    letters.write(name, x, y - 7, { size: 13, bold: true, always: true });
    letters.write(words, x, y + 8, { size: 11, always: true });
  }

  /** @param {{kind: string, place: number}} found @param {Slice} cut what it is at this level */
  function stateWords({ kind, place }, cut) {
    if (kind === "joint") {
      const code = cut.state[place];
      if (code < 0) return "outside its range here";
      const ended = Geometry.ended(place, cut.level);
      if (ended >= 0) {
        const id = Words.isolated(piles.id[ended]);
        return `${DATA.joint_states[code]}: ${id} ends at ${Words.level(piles.toe[ended])}`;
      }
      const over = cut.overlap[place];
      const figure = Number.isNaN(over) ? ""
        : over < 0 ? `, gap ${Words.mm(-over)} mm` : `, overlap ${Words.mm(over)} mm`;
      return DATA.joint_states[code] + figure;
    }
    if (!cut.stands[place]) return "not there at this level";
    if (Number.isNaN(cut.e[place])) {
      return piles.axes.start[place] === piles.axes.start[place + 1] ? "not surveyed" : "not known at this level";
    }
    const off = 1000 * Math.hypot(cut.e[place] - designE[place], cut.n[place] - designN[place]);
    return `${cut.predicted[place] ? "predicted " : ""}${Words.mm(off)} mm off design`;
  }

  /** @param {Scene} scene widths of the gaps, where they can be seen */
  function writeGaps({ view, letters, slice: cut, pairs }) {
    if (view.sx * 0.5 < 9) return;
    for (const j of pairs) {
      if (cut.state[j] !== OPEN || !(cut.overlap[j] < 0)) continue;
      const [e, n, ue, un] = middle(j);
      const [x, y] = [view.x(e - un * 0.75), view.y(n + ue * 0.75)];
      letters.write(`${Words.mm(-cut.overlap[j])} mm`, x, y, { size: 11, bold: true });
    }
  }

  /** @param {number} x @param {number} y @returns {string} the nearest pile or joint within reach, "" for none */
  function nearest(x, y) {
    const { view } = sheet;
    let [best, id] = [Infinity, ""];
    piles.id.forEach((name, k) => {
      const away = Math.hypot(view.x(placeE(k)) - x, view.y(placeN(k)) - y);
      if (away < Math.max(piles.r[k] * view.sx, 12) && away < best) [best, id] = [away, name];
    });
    joints.id.forEach((name, j) => {
      const [e, n] = middle(j);
      const away = Math.hypot(view.x(e) - x, view.y(n) - y);
      if (away < Math.max(piles.r[joints.a[j]] * view.sx * 0.6, 12) && away < best) [best, id] = [away, name];
    });
    return id;
  }

  /** @param {string} item @returns {Box | null} a few piles about it */
  function around(item) {
    const own = Geometry.pilesOf(item);
    if (!own.length) return null;
    /** @type {Box} */
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (const k of own) {
      widen(box, placeE(k) - 2 * piles.r[k], placeN(k) - 2 * piles.r[k]);
      widen(box, placeE(k) + 2 * piles.r[k], placeN(k) + 2 * piles.r[k]);
    }
    return box.every(Number.isFinite) ? box : null;
  }

  /** What the picture shows, in words. */
  function tell() {
    const { level, item } = Store.get();
    const counts = slice().counts;
    const parts = DATA.joint_states.map((word, code) => [code, `${counts[code]} ${word}`]);
    const worth = parts.filter(([code]) => counts[Number(code)] && code !== SURE).map(([, text]) => text);
    const sure = counts[SURE] ? `${counts[SURE]} sure` : "";
    const joined = [...worth, sure].filter(Boolean).join(", ");
    says.textContent = joined || "no joint has to interlock at this level";
    shown.textContent = Words.level(level);
    const found = PLACES.get(Geometry.subject(item));
    const chosen = found ? `; selected ${Geometry.subject(item)}, ${stateWords(found, slice())}` : "";
    canvas.setAttribute("aria-label", `Plan at ${Words.level(level)}: joints ${says.textContent}${chosen}`);
  }

  /** @type {Sheet} */
  const sheet = Paper.sheet(canvas, {
    draw,
    bounds: () => whole,
    margins: (width, height) => (Frame.hasLegend({ width, height }) ? [LEGEND + 10, 26, 60, 24] : [30, 26, 30, 24]),
    click: (x, y) => {
      const item = nearest(x, y);
      if (item) Store.set({ item });
    },
    cursor: (x, y) => (nearest(x, y) ? "pointer" : "grab"),
  });

  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { item } = Store.get();
    const to = event.key === "ArrowRight" ? Geometry.step(item, 1) : event.key === "ArrowLeft"
      ? Geometry.step(item, -1) : event.key === "Home" ? First : "";
    if (!to) return;
    event.preventDefault();
    Store.set({ item: to });
  });

  Store.on((state, before) => {
    if (state.item !== before.item) {
      const box = around(state.item);
      if (box) sheet.show(box);
    }
    if (state === before || state.level !== before.level || state.item !== before.item
      || state.exaggeration !== before.exaggeration) {
      tell();
      sheet.draw();
    }
  });

  return {
    ...sheet,
    /** @param {string} item the view close about it */
    goTo(item) {
      const box = around(item);
      if (box) sheet.show(box, true);
    },
  };
})();
