"use strict";
/**
 * The walls unrolled, one after another, seen from the pit: what every joint is at every level, and the level shown.
 *
 * The bands are drawn once for a view and kept; a step of the level draws a line over them.
 */
const Elevation = (() => {
  const { piles, joints, levels, walls } = DATA;
  const canvas = /** @type {HTMLCanvasElement} */ (document.getElementById("elevation"));
  const says = /** @type {HTMLElement} */ (document.getElementById("elevation-says"));
  const { reaches, chainage, strip } = Geometry;
  /** Kept free around the strips [px]: levels left; legend and ids below; names of levels right; holds above. */
  const [LEFT, BELOW, RIGHT, ABOVE] = [46, 34, 118, 18];
  /** Strips narrower than this have no edges [px]. */
  const NARROW = 10;
  const places = piles.id.map((_, k) => Geometry.unrolled(piles.wall[k], chainage[k]));

  /** @type {Box} */
  const whole = (() => {
    const ends = walls.flatMap((wall) => [wall.start, wall.end]);
    for (const reach of reaches) if (reach) ends.push(reach.left, reach.right);
    const tall = [levels.top, levels.bottom, ...joints.bands.top, ...joints.bands.bottom];
    const low = tall.reduce((least, level) => Math.min(least, level), Infinity);
    const high = tall.reduce((most, level) => Math.max(most, level), -Infinity);
    const first = ends.reduce((least, end) => Math.min(least, end), Infinity);
    const last = ends.reduce((most, end) => Math.max(most, end), -Infinity);
    return ends.length ? [first, low, last, high] : [0, low, 1, high];
  })();

  /** Levels drawn along the whole wall, the highest first; two at one level share a line. */
  const lines = (() => {
    const named = [
      ...DATA.stages.map((stage) => ({ name: stage.name, level: stage.level })),
      { name: "formation", level: levels.formation },
      { name: "interlock to", level: levels.interlock_to },
    ];
    /** @type {Map<number, string[]>} */
    const byLevel = new Map();
    for (const { name, level } of named) {
      if (Number.isFinite(level)) byLevel.set(level, [...(byLevel.get(level) || []), Words.clean(name)]);
    }
    return [...byLevel].map(([level, names]) => ({ level, names })).sort((a, b) => b.level - a.level);
  })();

  /** The joints' bands as last drawn, and what for. */
  const kept = { canvas: document.createElement("canvas"), key: "", colours: /** @type {unknown} */ (null) };

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Record<string, string>} colours */
  function draw(ctx, view, colours) {
    // what is kept is for the screen; a print is drawn once
    if (ctx.canvas !== canvas) {
      drawWall(ctx, view, colours);
    } else {
      keep(view, colours);
      ctx.save();
      ctx.setTransform(1, 0, 0, 1, 0, 0);
      ctx.drawImage(kept.canvas, 0, 0);
      ctx.restore();
    }
    const scene = { ctx, view, colours, letters: Paper.lettering(ctx, view, colours) };
    drawChosen(scene);
    drawHolds(scene);
    drawLevel(scene);
    writeIds(scene);
  }

  /** @param {View} view @param {Record<string, string>} colours */
  function keep(view, colours) {
    const key = [view.left, view.sx, view.top, view.sy, view.width, view.height, view.ratio].join();
    if (kept.key === key && kept.colours === colours) return;
    Object.assign(kept, { key, colours });
    kept.canvas.width = Math.round(view.width * view.ratio);
    kept.canvas.height = Math.round(view.height * view.ratio);
    const ctx = /** @type {CanvasRenderingContext2D} */ (kept.canvas.getContext("2d"));
    ctx.setTransform(view.ratio, 0, 0, view.ratio, 0, 0);
    drawWall(ctx, view, colours);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Record<string, string>} colours */
  function drawWall(ctx, view, colours) {
    ctx.fillStyle = colours.panel;
    ctx.fillRect(0, 0, view.width, view.height);
    const scene = { ctx, view, colours, letters: Paper.lettering(ctx, view, colours) };
    drawTicks(scene);
    within(scene, () => {
      drawBands(scene);
      drawSteps(scene);
      drawLines(scene);
    });
    nameLines(scene);
    nameWalls(scene);
    legend(scene);
  }

  /** @param {Framed} scene @param {() => void} work drawn between the margins left and right only */
  function within({ ctx, view }, work) {
    ctx.save();
    ctx.beginPath();
    ctx.rect(LEFT, 0, view.width - LEFT - RIGHT, view.height);
    ctx.clip();
    work();
    ctx.restore();
  }

  /** How the bands look; the gravest are drawn last, so that none is hidden where strips are thin. */
  const LOOKS = [
    { state: "sure", name: "within", wash: 0.18, hatch: "", edge: 0.6, dash: [] },
    { state: "not surveyed", name: "unsurveyed", wash: 0, hatch: "dots", edge: 0.9, dash: [1.2, 2.6] },
    { state: "not sure", name: "unresolved", wash: 0.1, hatch: "dashes", edge: 0.8, dash: [] },
    { state: "lost", name: "outside", wash: 0.12, hatch: "dense", edge: 1.2, dash: [] },
    { state: "open", name: "outside", wash: 1, hatch: "", edge: 1, dash: [] },
  ];

  /** @param {Framed} scene */
  function drawBands(scene) {
    const { top, bottom, state, start } = joints.bands;
    for (const one of LOOKS) {
      const code = DATA.joint_states.indexOf(one.state);
      const path = new Path2D();
      let some = false;
      reaches.forEach((reach, j) => {
        if (!reach || !visible(scene.view, reach)) return;
        for (let at = start[j]; at < start[j + 1]; at++) {
          if (state[at] !== code) continue;
          band(scene.view, path, reach, top[at], bottom[at]);
          some = true;
        }
      });
      if (some) paint(scene, one, path);
    }
  }

  /** @param {View} view @param {Reach} reach */
  function visible(view, reach) {
    return view.x(reach.right) >= LEFT && view.x(reach.left) <= view.width - RIGHT;
  }

  /** @param {View} view @param {Path2D} path @param {Reach} reach @param {number} top @param {number} bottom */
  function band(view, path, reach, top, bottom) {
    const [left, right] = [view.x(reach.left), view.x(reach.right)];
    const inset = strip * view.sx > NARROW ? 1 : 0;
    const [y, end] = [view.y(top), view.y(bottom)];
    path.rect(left + inset, y, Math.max(right - left - 2 * inset, 1), Math.max(end - y, 1));
  }

  /** @param {Framed} scene @param {(typeof LOOKS)[number]} one @param {Path2D} path */
  function paint({ ctx, view, colours }, one, path) {
    if (one.wash) {
      ctx.globalAlpha = one.wash;
      ctx.fillStyle = colours[one.name];
      ctx.fill(path);
      ctx.globalAlpha = 1;
    }
    if (one.hatch) {
      ctx.fillStyle = Paper.hatch(ctx, view, one.hatch, colours[one.name]);
      ctx.fill(path);
    }
    if (strip * view.sx < NARROW) return;
    ctx.setLineDash(one.dash);
    ctx.lineWidth = one.edge;
    ctx.strokeStyle = colours[one.name];
    ctx.stroke(path);
  }

  /** @param {Framed} scene cut-off, toes, and the level of the deepest reading: they go from pile to pile in steps */
  function drawSteps({ ctx, view, colours }) {
    const deepest = joints.figures.predicted_below;
    ctx.beginPath();
    if (deepest) reaches.forEach((reach, j) => level(reach, deepest[j]));
    Frame.line(ctx, colours.panel, 2, [4, 3]);
    Frame.line(ctx, colours.ink, 1, [4, 3]);
    ctx.beginPath();
    const half = Math.max(Math.min(4, (strip * view.sx) / 3), 0.6);
    places.forEach((at, k) => {
      if (!Number.isFinite(at) || piles.status[k] === "omitted") return;
      ctx.moveTo(view.x(at) - half, view.y(piles.toe[k]));
      ctx.lineTo(view.x(at) + half, view.y(piles.toe[k]));
    });
    Frame.line(ctx, colours.ink, 1.2);
    ctx.beginPath();
    places.forEach((at, k) => {
      if (!Number.isFinite(at) || piles.status[k] === "omitted") return;
      level({ left: at - strip / 2, right: at + strip / 2 }, piles.cut_off[k]);
    });
    Frame.line(ctx, colours.ink, 1);

    /** @param {Reach | null} reach @param {number | null} at */
    function level(reach, at) {
      if (!reach || at === null || !visible(view, reach)) return;
      ctx.moveTo(view.x(reach.left), view.y(at));
      ctx.lineTo(view.x(reach.right), view.y(at));
    }
  }

  /** @param {Framed} scene */
  function drawLines({ ctx, view, colours }) {
    for (const { level } of lines) {
      ctx.beginPath();
      ctx.moveTo(LEFT, view.y(level));
      ctx.lineTo(view.width - RIGHT, view.y(level));
      const dash = level === levels.formation ? [] : [9, 3];
      Frame.line(ctx, colours.panel, 2, dash);
      Frame.line(ctx, colours.soft, 1, dash);
    }
  }

  /** @param {Framed} scene names at the right, moved apart where levels are close, each led to its line */
  function nameLines({ ctx, view, colours, letters }) {
    let last = -Infinity;
    const edge = view.width - RIGHT;
    const how = /** @type {const} */ ({ size: 10, align: "left", always: true });
    for (const { level, names } of [{ level: levels.cut_off, names: ["cut-off"] }, ...lines]) {
      const y = Math.max(view.y(level), last + 12);
      ctx.beginPath();
      ctx.moveTo(edge + 1, view.y(level));
      ctx.lineTo(edge + 7, y);
      Frame.line(ctx, colours.soft, 0.8);
      letters.write(Words.level(level), edge + 10, y, how);
      names.forEach((name, row) => letters.write(Frame.shortened(ctx, name, RIGHT - 56), edge + 48, y + 11 * row, how));
      last = y + 11 * (names.length - 1);
    }
  }

  /** @param {Framed} scene */
  function drawTicks({ ctx, view, colours, letters }) {
    const [, low, , high] = whole;
    const step = Paper.roundStep(high - low, (view.height - ABOVE - BELOW) / 26);
    ctx.beginPath();
    for (let level = Math.ceil(low / step) * step; level <= high; level += step) {
      ctx.moveTo(LEFT - 5, view.y(level));
      ctx.lineTo(LEFT - 1, view.y(level));
      letters.write(level ? Words.signed(level, step < 1 ? 1 : 0) : "0", LEFT - 8, view.y(level),
        { size: 10, align: "right", colour: colours.soft });
    }
    ctx.moveTo(LEFT - 1, view.y(high));
    ctx.lineTo(LEFT - 1, view.y(low));
    Frame.line(ctx, colours.line, 1);
  }

  /** @param {Framed} scene */
  function nameWalls({ ctx, view, colours, letters }) {
    if (walls.length < 2) return;
    for (const wall of walls) {
      const x = Math.max(view.x(wall.start), LEFT + 2);
      if (x > view.width - RIGHT || view.x(wall.end) < LEFT) continue;
      letters.write(Frame.shortened(ctx, Words.clean(wall.id), Math.max(view.x(wall.end) - x, 20)), x, 7,
        { size: 10, bold: true, align: "left", colour: colours.soft });
    }
  }

  /** @param {Framed} scene */
  function legend(scene) {
    const { ctx, view, colours, letters } = scene;
    let x = 6;
    const y = view.height - 8;
    for (const one of [...LOOKS].reverse()) {
      const path = new Path2D();
      path.rect(x, y - 5, 15, 10);
      paint(scene, one, path);
      ctx.setLineDash(one.dash);
      ctx.lineWidth = one.edge;
      ctx.strokeStyle = colours[one.name];
      ctx.stroke(path);
      x = word(one.state, x + 19);
    }
    ctx.beginPath();
    ctx.moveTo(x, y);
    ctx.lineTo(x + 17, y);
    Frame.line(ctx, colours.ink, 1, [4, 3]);
    x = word("below: predicted", x + 21);
    ctx.beginPath();
    ctx.moveTo(x, y);
    ctx.lineTo(x + 8, y);
    Frame.line(ctx, colours.ink, 1.2);
    word("toe", x + 12);

    /** @param {string} text @param {number} from @returns {number} where the next may begin */
    function word(text, from) {
      letters.write(text, from, y, { size: 10, align: "left", always: true });
      return from + ctx.measureText(text).width + 12;
    }
  }

  /** @param {Framed} scene */
  function drawChosen({ ctx, view, colours, letters }) {
    const item = Geometry.subject(Store.get().item);
    const box = boxOf(item);
    if (!box) return;
    const [left, right] = [view.x(box[0]), view.x(box[2])];
    const middle = (left + right) / 2;
    const half = Math.max((right - left) / 2 + 1.5, 5);
    if (middle < LEFT - half || middle > view.width - RIGHT + half) return;
    ctx.beginPath();
    ctx.rect(middle - half, view.y(box[3]) - 2, 2 * half, view.y(box[1]) - view.y(box[3]) + 4);
    Frame.line(ctx, colours.panel, 5);
    Frame.line(ctx, colours.mark, 2.4);
    const room = Math.min(Math.max(middle, LEFT + 40), view.width - RIGHT - 40);
    const id = Frame.shortened(ctx, Words.clean(item), 180);
    letters.write(id, room, view.height - BELOW + 12, { size: 11, bold: true, always: true });
  }

  /** @param {string} item @returns {Box | null} of the joint's range, or the pile from cut-off to toe */
  function boxOf(item) {
    const found = PLACES.get(item);
    if (!found) return null;
    const { kind, place } = found;
    if (kind === "joint") {
      const reach = reaches[place];
      const [top, bottom] = [joints.top[place], joints.bottom[place]];
      return reach && top !== null && bottom !== null ? [reach.left, bottom, reach.right, top] : null;
    }
    const at = places[place];
    if (!Number.isFinite(at)) return null;
    return [at - piles.r[place] / 2, piles.toe[place], at + piles.r[place] / 2, piles.cut_off[place]];
  }

  /** @param {Framed} scene what holds the chosen stage, above its place in the wall */
  function drawHolds({ ctx, view, colours, letters }) {
    const stage = DATA.stages.find((one) => one.name === Store.get().stage);
    if (!stage) return;
    /** @type {Map<string, number>} */
    const worst = new Map();
    // verdicts are in order of gravity
    for (const { item, verdict } of stage.held_by) worst.set(item, Math.max(verdict, worst.get(item) ?? -1));
    const room = strip * view.sx;
    for (const [item, verdict] of [...worst].sort((a, b) => a[1] - b[1])) {
      const box = boxOf(item);
      const x = box ? view.x((box[0] + box[2]) / 2) : NaN;
      if (!(x >= LEFT && x <= view.width - RIGHT)) continue;
      const name = Words.verdictClass(verdict);
      Paper.symbol(ctx, name, x, room < 12 ? 9 : 13, room < 6 ? 1.6 : 2.6, colours);
      if (room >= 12) letters.write(DATA.letters[verdict] || "", x, 5, { size: 9, bold: true, always: true });
    }
  }

  /** @param {Framed} scene */
  function drawLevel({ ctx, view, colours, letters }) {
    const { level } = Store.get();
    const y = view.y(level);
    ctx.beginPath();
    ctx.moveTo(LEFT - 2, y);
    ctx.lineTo(view.width - RIGHT + 6, y);
    Frame.line(ctx, colours.panel, 4);
    Frame.line(ctx, colours.mark, 2);
    ctx.beginPath();
    Paper.polygon(ctx, [[0, y - 9], [LEFT - 8, y - 9], [LEFT - 1, y], [LEFT - 8, y + 9], [0, y + 9]]);
    ctx.fillStyle = colours.mark;
    ctx.fill();
    letters.keep(0, y - 9, LEFT, y + 9);
    ctx.font = `600 11px ${Paper.family}`;
    ctx.textAlign = "right";
    ctx.textBaseline = "middle";
    ctx.fillStyle = colours.panel;
    ctx.fillText(Words.level(level), LEFT - 9, y);
  }

  /** @param {Framed} scene ids along the foot: every one, or every so many that fit */
  function writeIds({ ctx, view, colours, letters }) {
    ctx.font = `10px ${Paper.family}`;
    const longest = piles.id.reduce((most, id) => (id.length > most.length ? id : most), "");
    const widest = ctx.measureText(Words.clean(longest)).width;
    const fits = (widest + 10) / (strip * view.sx);
    const every = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].find((step) => step >= fits) || 2000;
    let seen = 0;
    piles.id.forEach((id, k) => {
      const x = view.x(places[k]);
      if (!Number.isFinite(x) || seen++ % every || x < LEFT || x > view.width - RIGHT) return;
      letters.write(Words.clean(id), x, view.height - BELOW + 12, { size: 10, colour: colours.soft });
    });
  }

  /** @param {number} x @returns {string} joint under it, "" for none */
  function jointAt(x) {
    const at = sheet.view.left + x / sheet.view.sx;
    let [best, id] = [Math.max(strip, 4 / sheet.view.sx), ""];
    reaches.forEach((reach, j) => {
      const away = reach ? Math.abs((reach.left + reach.right) / 2 - at) : Infinity;
      if (away < best) [best, id] = [away, joints.id[j]];
    });
    return id;
  }

  /** @param {number} y level there, as the slider steps */
  const levelAt = (y) => Level.near(sheet.view.top - y / sheet.view.sy);

  /** @param {number} y */
  const onLevel = (y) => Math.abs(y - sheet.view.y(Store.get().level)) <= 6;

  /** @type {Sheet} */
  const sheet = Paper.sheet(canvas, {
    draw,
    acrossOnly: true,
    bounds: () => whole,
    margins: () => [LEFT, BELOW, RIGHT, ABOVE],
    click: (x, y) => {
      const level = y > ABOVE && y < sheet.view.height - BELOW ? levelAt(y) : Store.get().level;
      const item = x > LEFT && x < sheet.view.width - RIGHT ? jointAt(x) : "";
      Store.set(item ? { level, item } : { level });
    },
    grab: (x, y) => (onLevel(y) || x < LEFT ? (_, to) => Store.set({ level: levelAt(to) }) : null),
    cursor: (x, y) => (onLevel(y) || x < LEFT ? "ns-resize" : "crosshair"),
  });

  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { item, level } = Store.get();
    const across = event.key === "ArrowRight" ? 1 : event.key === "ArrowLeft" ? -1 : 0;
    const up = event.key === "ArrowUp" ? 0.1 : event.key === "ArrowDown" ? -0.1 : 0;
    if (!across && !up && event.key !== "Home") return;
    event.preventDefault();
    if (up) Store.set({ level: Level.near(level + up) });
    else Store.set({ item: across ? Geometry.step(item, across, "joint") : First || item });
  });

  /** How many joints have which verdict, the gravest first. */
  const counts = DATA.verdicts.map((word, code) =>
    ({ word, code, n: joints.verdict.filter((one) => one === code).length })).reverse().filter(({ n }) => n);

  function tell() {
    says.append(`${Words.count(joints.id.length, "joint")}: `);
    for (const { code, n } of counts) says.append(Words.verdictMark(code), `\u00a0${n}\u2002`);
  }

  function name() {
    const { level, item } = Store.get();
    const says = counts.map(({ word, n }) => `${n} ${word}`).join(", ");
    const chosen = Geometry.subject(item) ? `; selected ${Geometry.subject(item)}` : "";
    canvas.setAttribute("aria-label", `Developed elevation, level ${Words.level(level)}; joints ${says}${chosen}`);
  }

  tell();
  Store.on((state, before) => {
    const box = boxOf(Geometry.subject(state.item));
    if (state.item !== before.item && box) sheet.show(box);
    if (state === before || state.level !== before.level || state.item !== before.item
      || state.stage !== before.stage) {
      name();
      sheet.draw();
    }
  });

  return {
    ...sheet,
    /** @param {string} item the strips close about it */
    goTo(item) {
      const box = boxOf(Geometry.subject(item));
      if (box) sheet.show([box[0] - 4 * strip, box[1], box[2] + 4 * strip, box[3]], true);
    },
  };
})();
