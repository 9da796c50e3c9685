"use strict";
/**
 * What a plan carries beside the wall: clear outline, pit, grid crosses, north, scales, legend; and the joints' marks.
 *
 * @typedef {object} Framed
 * @property {CanvasRenderingContext2D} ctx
 * @property {View} view
 * @property {Record<string, string>} colours
 * @property {ReturnType<typeof Paper.lettering>} letters
 */
const Frame = (() => {
  const { piles, walls } = DATA;
  const [east0, north0] = DATA.origin;
  /** Width of the legend [px], height of a row. */
  const [WIDE, ROW] = [138, 13];

  /** Where the word "pit" stands: in the middle of a closed wall, before the middle of an open one [m]. */
  const pits = walls.map((wall) => {
    const own = piles.wall.flatMap((name, k) => (name === wall.id && piles.e[k] !== null ? [k] : []));
    const sum = (/** @type {(k: number) => number} */ of) => own.reduce((total, k) => total + of(k), 0) / own.length;
    if (wall.closed) return { e: sum((k) => Number(piles.e[k])), n: sum((k) => Number(piles.n[k])), pe: 0, pn: 0 };
    const k = own[Math.floor(own.length / 2)];
    return { e: Number(piles.e[k]), n: Number(piles.n[k]), pe: piles.pit_e[k] || 0, pn: piles.pit_n[k] || 0 };
  }).filter((pit) => Number.isFinite(pit.e));

  /** @param {Framed} scene what lies under the wall */
  function ground(scene) {
    grid(scene);
    outline(scene);
  }

  /** @param {Framed} scene the word, where nothing else is written */
  function pit({ view, letters, colours }) {
    for (const { e, n, pe, pn } of pits) {
      const [x, y] = [view.x(e) + pe * 60, view.y(n) - pn * 60];
      for (const step of [0, -16, 16, -32, 32]) {
        if (letters.write("pit", x, y + step, { size: 13, colour: colours.soft })) break;
      }
    }
  }

  /** @param {Framed} scene */
  function outline({ ctx, view, colours }) {
    if (!DATA.clear_outline.length) return;
    ctx.beginPath();
    DATA.clear_outline.forEach(([e, n], place) => {
      if (place) ctx.lineTo(view.x(e), view.y(n));
      else ctx.moveTo(view.x(e), view.y(n));
    });
    ctx.closePath();
    line(ctx, colours.soft, 1, [14, 3, 2, 3, 2, 3]);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {string} colour @param {number} width @param {number[]} [dash] */
  function line(ctx, colour, width, dash = []) {
    ctx.setLineDash(dash);
    ctx.lineWidth = width;
    ctx.strokeStyle = colour;
    ctx.stroke();
  }

  /** @param {Framed} scene crosses at round coordinates of the site grid, named along two edges */
  function grid({ ctx, view, colours, letters }) {
    const step = Paper.roundStep(Math.min(view.width, view.height) / view.sx, 5);
    const easts = rounds(view.left + east0, view.left + view.width / view.sx + east0, step);
    const norths = rounds(view.top - view.height / view.sy + north0, view.top + north0, step);
    letters.keep(view.width - 36, 0, view.width, 52);
    ctx.beginPath();
    for (const e of easts) {
      for (const n of norths) {
        const [x, y] = [view.x(e - east0), view.y(n - north0)];
        if (x > view.width - 52 || y > view.height - 20) continue;
        ctx.moveTo(x - 4, y);
        ctx.lineTo(x + 4, y);
        ctx.moveTo(x, y - 4);
        ctx.lineTo(x, y + 4);
      }
    }
    line(ctx, colours.line, 1);
    const places = step < 1 ? Math.ceil(-Math.log10(step)) : 0;
    const how = /** @type {const} */ ({ size: 10, colour: colours.soft });
    for (const e of easts) letters.write(`E ${e.toFixed(places)}`, view.x(e - east0), view.height - 8, how);
    for (const n of norths) {
      letters.write(`N ${n.toFixed(places)}`, view.width - 5, view.y(n - north0), { ...how, align: "right" });
    }
  }

  /** @param {number} from @param {number} to @param {number} step */
  function rounds(from, to, step) {
    const first = Math.ceil(from / step);
    return Array.from({ length: Math.max(0, Math.floor(to / step) - first + 1) }, (_, k) => (first + k) * step);
  }

  /** @param {{width: number, height: number}} view whether there is room for it; the help says the same */
  const hasLegend = (view) => view.height > 228 && view.width > 520;

  /** @param {Framed} scene north, scales and legend, over the wall */
  function furniture(scene) {
    north(scene);
    scales(scene);
    if (hasLegend(scene.view)) legend(scene);
  }

  /** @param {Framed} scene */
  function north({ ctx, view, colours, letters }) {
    const [x, y] = [view.width - 18, 14];
    ctx.beginPath();
    Paper.polygon(ctx, [[x, y], [x + 5, y + 22], [x, y + 17], [x - 5, y + 22]]);
    ctx.fillStyle = colours.ink;
    ctx.fill();
    letters.write("N", x, y + 30, { size: 11, bold: true, always: true });
  }

  /** @param {Framed} scene a bar for the circles, and one for the arrows, which are longer than the truth */
  function scales({ ctx, view, colours, letters }) {
    const times = Store.get().exaggeration;
    const metres = Paper.roundStep((70 / view.sx) * 1.0001, 1) ;
    const length = metres * view.sx > 110 ? metres / 2 : metres;
    const arrowMm = Paper.roundStep(60000 / view.sx / times, 1);
    const shortMm = (arrowMm * times * view.sx) / 1000 > 110 ? arrowMm / 2 : arrowMm;
    const top = view.height - 58;
    ctx.globalAlpha = 0.88;
    ctx.fillStyle = colours.panel;
    ctx.fillRect(4, top - 12, WIDE, 50);
    ctx.globalAlpha = 1;
    letters.keep(4, top - 12, 4 + WIDE, view.height - 18);
    bar(ctx, colours, 10, top + 2, length * view.sx);
    const how = /** @type {const} */ ({ size: 10, align: "left", always: true });
    letters.write(`${length} m`, 14 + length * view.sx, top + 2, how);
    vector(ctx, colours, 10, top + 15, (shortMm * times * view.sx) / 1000);
    letters.write(`${shortMm} mm`, 14 + (shortMm * times * view.sx) / 1000, top + 15, how);
    letters.write(times === 1 ? "movements at true length" : `movements drawn ${times} ×`, 10, top + 29,
      { ...how, bold: true });
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} colours @param {number} x @param {number} y
   * @param {number} length */
  function bar(ctx, colours, x, y, length) {
    ctx.beginPath();
    ctx.rect(x, y - 2, length, 4);
    ctx.fillStyle = colours.panel;
    ctx.fill();
    line(ctx, colours.ink, 1);
    ctx.fillStyle = colours.ink;
    ctx.fillRect(x, y - 2, length / 2, 4);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} colours @param {number} x @param {number} y
   * @param {number} length */
  function vector(ctx, colours, x, y, length) {
    ctx.beginPath();
    ctx.moveTo(x, y - 3);
    ctx.lineTo(x, y + 3);
    ctx.moveTo(x, y);
    ctx.lineTo(x + length, y);
    ctx.moveTo(x + length - 5, y - 3);
    ctx.lineTo(x + length, y);
    ctx.lineTo(x + length - 5, y + 3);
    line(ctx, colours.ink, 1);
  }

  /** @param {Framed} scene */
  function legend({ ctx, view, colours, letters }) {
    const piled = DATA.verdicts.map((word, code) => ({ word, name: Words.verdictClass(code) }));
    const rows = [
      ...["outside", "unresolved", "within"].map((name) => ({ name, text: wordOf(piled, name) })),
      { name: "unsurveyed", text: wordOf(piled, "unsurveyed") },
      { name: "predicted", text: "below its last reading" },
      { name: "design", text: "as designed" },
      { name: "toe", text: "toe not within" },
    ];
    const states = ["open", "lost", "not sure", "not surveyed"];
    const height = (rows.length + states.length + 2) * ROW + 12;
    ctx.globalAlpha = 0.88;
    ctx.fillStyle = colours.panel;
    ctx.fillRect(4, 4, WIDE, height);
    ctx.globalAlpha = 1;
    letters.keep(4, 4, 4 + WIDE, 4 + height);
    let y = 14;
    const how = /** @type {const} */ ({ size: 10, align: "left", always: true });
    letters.write("piles at this level", 10, y, { ...how, bold: true });
    for (const { name, text } of rows) {
      y += ROW;
      sample(ctx, view, colours, name, 19, y);
      letters.write(text, 34, y, how);
    }
    y += ROW + 5;
    letters.write("joints at this level", 10, y, { ...how, bold: true });
    for (const word of states) {
      y += ROW;
      jointMark(ctx, colours, DATA.joint_states.indexOf(word), 19, y, 4.5, 0);
      letters.write(word === "lost" ? "lost: less than asked for" : word === "open" ? "open: a gap" : word, 34, y, how);
    }
  }

  /** @param {{word: string, name: string}[]} words @param {string} name */
  function wordOf(words, name) {
    const found = words.find((one) => one.name === name);
    return found ? found.word : name;
  }

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Record<string, string>} colours
   * @param {string} name @param {number} x @param {number} y a short piece of circle as the piles are drawn */
  function sample(ctx, view, colours, name, x, y) {
    const own = Paper.LINES[name] || Paper.LINES.none;
    if (name === "toe") toeMark(ctx, colours, "outside", x, y + 1);
    if (name === "toe") return;
    if (name === "unsurveyed") Paper.symbol(ctx, name, x, y, 2.6, colours);
    ctx.beginPath();
    ctx.rect(x - 9, y - 4, 18, 8);
    if (name === "outside" || name === "unresolved") {
      ctx.globalAlpha = name === "outside" ? 0.45 : 0.7;
      ctx.fillStyle = name === "outside" ? colours.outside : Paper.hatch(ctx, view, "rising", colours.unresolved);
      ctx.fill();
      ctx.globalAlpha = 1;
    }
    const dash = name === "predicted" ? Paper.PREDICTED : name === "design" ? Paper.DESIGN : own.dash;
    line(ctx, colours[name] || (name === "predicted" ? colours.within : colours.soft),
      name === "design" ? 0.7 : Math.min(own.width, 2), dash);
  }

  /**
   * Fills what two circles share.
   * @param {CanvasRenderingContext2D} ctx
   * @param {[number, number, number]} a  middle and radius [px]
   * @param {[number, number, number]} b
   */
  function lens(ctx, [ax, ay, ra], [bx, by, rb]) {
    const d = Math.hypot(bx - ax, by - ay);
    const alpha = Math.acos((d * d + ra * ra - rb * rb) / (2 * d * ra));
    const beta = Math.acos((d * d + rb * rb - ra * ra) / (2 * d * rb));
    if (Number.isNaN(alpha) || Number.isNaN(beta)) return;
    const to = Math.atan2(by - ay, bx - ax);
    ctx.beginPath();
    ctx.arc(ax, ay, ra, to - alpha, to + alpha);
    ctx.arc(bx, by, rb, to + Math.PI - beta, to + Math.PI + beta);
    ctx.fill();
  }

  /** @param {CanvasRenderingContext2D} ctx @param {View} view @param {Opening} hole fills it */
  function opening(ctx, view, hole) {
    // the picture's y runs down, so angles turn the other way
    const [to, half] = [-hole.towards, hole.half];
    ctx.beginPath();
    ctx.arc(view.x(hole.ea), view.y(hole.na), hole.ra * view.sx, to - half, to + half);
    ctx.arc(view.x(hole.eb), view.y(hole.nb), hole.rb * view.sx, to + half, to - half + 2 * Math.PI);
    ctx.closePath();
    ctx.fill();
  }

  /** @param {CanvasRenderingContext2D} ctx @param {number} x @param {number} y @param {number} dx @param {number} dy */
  function arrow(ctx, x, y, dx, dy) {
    const length = Math.hypot(dx, dy);
    if (!(length > 2)) return;
    const head = Math.min(5, length * 0.5) / length;
    const [tipX, tipY] = [x + dx, y + dy];
    ctx.moveTo(x, y);
    ctx.lineTo(tipX, tipY);
    ctx.moveTo(tipX - (dx - dy * 0.45) * head, tipY - (dy + dx * 0.45) * head);
    ctx.lineTo(tipX, tipY);
    ctx.lineTo(tipX - (dx + dy * 0.45) * head, tipY - (dy - dx * 0.45) * head);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {string} text @param {number} room [px] */
  function shortened(ctx, text, room) {
    ctx.font = `10px ${Paper.family}`;
    let shown = text;
    while (shown.length > 3 && ctx.measureText(shown).width > room) shown = shown.slice(0, -2) + "\u2026";
    return shown;
  }

  /**
   * The mark of a joint: open a filled bar across the joint, lost a hollow one, not sure a broken stroke, not surveyed
   * an open triangle.
   * @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} colours
   * @param {number} code @param {number} x @param {number} y @param {number} size  half of its length [px]
   * @param {number} angle  of the line from pile to pile on the picture [rad]
   */
  function jointMark(ctx, colours, code, x, y, size, angle) {
    const word = DATA.joint_states[code];
    if (word === "not surveyed") {
      Paper.symbol(ctx, "unsurveyed", x, y, Math.max(size * 0.55, 2.4), colours);
      return;
    }
    ctx.save();
    ctx.translate(x, y);
    ctx.rotate(angle);
    ctx.beginPath();
    if (word === "not sure") {
      ctx.moveTo(0, -size);
      ctx.lineTo(0, size);
      line(ctx, colours.panel, 3.4);
      line(ctx, colours["unresolved-ink"], 1.6, size > 3 ? [size * 0.7, size * 0.22, size * 0.16, size * 0.22] : []);
    } else {
      bars(ctx, colours, word === "open", size);
    }
    ctx.restore();
  }

  /** @param {Framed} scene @param {number} k @param {number} e @param {number} n @param {boolean} located its mark */
  function pileMark({ ctx, view, colours }, k, e, n, located) {
    const size = piles.r[k] * view.sx;
    if (size > 7 && !located) Paper.symbol(ctx, "unsurveyed", view.x(e), view.y(n), 3, colours);
    else if (size > 5 && Looks.toe(k)) toeMark(ctx, colours, Looks.toe(k), view.x(e), view.y(n) + size * 0.5);
  }

  /**
   * The mark of a toe that ended too high, or was not recorded: a foot, as it is not at this level.
   * @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} colours @param {string} name of its colour
   * @param {number} x @param {number} y
   */
  function toeMark(ctx, colours, name, x, y) {
    ctx.beginPath();
    ctx.moveTo(x, y - 5);
    ctx.lineTo(x, y);
    ctx.moveTo(x - 4, y);
    ctx.lineTo(x + 4, y);
    line(ctx, colours.panel, 4);
    line(ctx, colours[`${name}-ink`], 1.8);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} colours @param {boolean} open
   * @param {number} size */
  function bars(ctx, colours, open, size) {
    const [half, long] = [Math.max(size * 0.28, 1.4), Math.max(size * 1.25, 4.5)];
    ctx.rect(-half, -long, 2 * half, 2 * long);
    line(ctx, colours.panel, 4);
    ctx.fillStyle = open ? colours.outside : colours.panel;
    ctx.fill();
    line(ctx, colours.outside, 1.3);
  }

  return { ground, pit, furniture, hasLegend, jointMark, pileMark, line, lens, opening, arrow, shortened };
})();
