"use strict";
/**
 * What both pictures are drawn on: a canvas with a view that can be moved and zoomed, the theme's colours, lines and
 * hatches of the verdicts, and lettering that never runs over other lettering.
 *
 * @typedef {object} View
 * @property {number} width  of the canvas [px of the page]
 * @property {number} height
 * @property {number} left  world at the left edge [m]
 * @property {number} top  world at the upper edge [m]
 * @property {number} sx  scale across [px/m]
 * @property {number} sy
 * @property {number} ratio  pixels of the screen in one of the page
 * @property {(x: number) => number} x  world to canvas
 * @property {(y: number) => number} y
 *
 * @typedef {[number, number, number, number]} Box  left, lower, right and upper end
 *
 * @typedef {object} Sheet
 * @property {View} view
 * @property {() => void} draw  at once
 * @property {() => void} fit
 * @property {(factor: number) => void} zoom  about the middle
 * @property {(box: Box, close?: boolean) => void} show  moves the view until the box is in it; close: zooms to it
 * @property {(canvas: HTMLCanvasElement, width: number, height: number, ratio: number) => void} onto  draws the
 *   whole in the light theme on another canvas, for print
 *
 * @typedef {object} Lettered
 * @property {number} [size]  [px]
 * @property {boolean} [bold]
 * @property {string} [colour]
 * @property {"left" | "center" | "right"} [align]
 * @property {boolean} [always]  written even where there is no room
 *
 * @typedef {object} Options
 * @property {(ctx: CanvasRenderingContext2D, view: View, colours: Record<string, string>) => void} draw
 * @property {() => Box} bounds  of the whole [m]
 * @property {(width: number, height: number) => Box} margins  kept free around it [px]: left, lower, right, upper
 * @property {boolean} [acrossOnly]  only the horizontal scale can be changed; the vertical always fits
 * @property {(x: number, y: number) => void} click
 * @property {(x: number, y: number) => ((x: number, y: number) => void) | null} [grab]  what a drag that begins here
 *   moves, instead of the view
 * @property {(x: number, y: number) => string} [cursor]
 */
const Paper = (() => {
  const NAMES = ["paper", "panel", "ink", "soft", "line", "focus", "chosen", "mark", "within", "unresolved", "outside",
    "unsurveyed", "within-ink", "unresolved-ink", "outside-ink", "unsurveyed-ink"];
  const root = document.documentElement;
  const family = getComputedStyle(document.body).fontFamily;
  /** @type {Sheet[]} */
  const sheets = [];
  let colours = readColours();

  /** @returns {Record<string, string>} */
  function readColours() {
    const style = getComputedStyle(root);
    return Object.fromEntries(NAMES.map((name) => [name, style.getPropertyValue("--" + name).trim()]));
  }

  new MutationObserver(() => {
    colours = readColours();
    hatches.clear();
    for (const sheet of sheets) sheet.draw();
  }).observe(root, { attributes: true, attributeFilter: ["data-theme"] });

  /** Lines of the verdicts: width and dashes [px]. @type {Record<string, {width: number, dash: number[]}>} */
  const LINES = {
    within: { width: 1.1, dash: [] },
    unresolved: { width: 1.6, dash: [6, 2.5, 1.2, 2.5] },
    outside: { width: 2.6, dash: [] },
    unsurveyed: { width: 1.2, dash: [1.2, 2.6] },
    none: { width: 1, dash: [] },
  };
  /** Dashes below the deepest reading, and of what is only designed [px]. */
  const [PREDICTED, DESIGN] = [[7, 3], [1, 2.5]];

  /** @type {Map<string, CanvasPattern>} */
  const hatches = new Map();

  /**
   * A hatch that keeps its place on the picture, as sharp as the screen allows.
   * @param {CanvasRenderingContext2D} ctx
   * @param {View} view
   * @param {string} kind  rising: strokes; dense: close ones both ways; dashes: broken strokes; dots
   * @param {string} colour
   */
  function hatch(ctx, view, kind, colour) {
    const key = `${kind} ${colour} ${view.ratio}`;
    let pattern = hatches.get(key);
    if (!pattern) {
      pattern = /** @type {CanvasPattern} */ (ctx.createPattern(tile(kind, colour, view.ratio), "repeat"));
      pattern.setTransform(new DOMMatrix().scale(1 / view.ratio));
      hatches.set(key, pattern);
    }
    return pattern;
  }

  /** @type {Record<string, {size: number, width: number, lines: number[][]}>} strokes in a tile: x, y to x, y */
  const TILES = {
    rising: { size: 6, width: 1, lines: [[-1, 7, 7, -1], [-1, 1, 1, -1], [5, 7, 7, 5]] },
    dense: { size: 4, width: 1.3, lines: [[-1, 5, 5, -1], [-1, 1, 1, -1], [3, 5, 5, 3], [-1, -1, 5, 5]] },
    dashes: { size: 8, width: 1.1, lines: [[1, 7, 5, 3], [-3, 3, 1, -1], [5, 11, 9, 7]] },
    dots: { size: 6, width: 1.1, lines: [[1, 1, 2.1, 1], [4, 4, 5.1, 4]] },
  };

  /** @param {string} kind @param {string} colour @param {number} ratio */
  function tile(kind, colour, ratio) {
    const { size, width, lines } = TILES[kind];
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = Math.round(size * ratio);
    const ctx = context(canvas);
    ctx.scale(canvas.width / size, canvas.width / size);
    ctx.strokeStyle = colour;
    ctx.lineWidth = width;
    ctx.beginPath();
    for (const [x, y, toX, toY] of lines) {
      ctx.moveTo(x, y);
      ctx.lineTo(toX, toY);
    }
    ctx.stroke();
    return canvas;
  }

  /** @param {HTMLCanvasElement} canvas */
  function context(canvas) {
    return /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  }

  /** @param {number} width @param {number} height @returns {View} */
  function newView(width, height) {
    /** @type {View} */
    const view = {
      width, height, left: 0, top: 0, sx: 1, sy: 1, ratio: window.devicePixelRatio || 1,
      x: (x) => (x - view.left) * view.sx,
      y: (y) => (view.top - y) * view.sy,
    };
    return view;
  }

  /** @param {View} view @param {Options} options the whole within its margins, in its middle */
  function fitView(view, options) {
    const [left, lower, right, upper] = options.bounds();
    const [l, b, r, t] = options.margins(view.width, view.height);
    const [wide, high] = [Math.max(right - left, 1e-3), Math.max(upper - lower, 1e-3)];
    view.sx = Math.max((view.width - l - r) / wide, 1e-6);
    view.sy = Math.max((view.height - t - b) / high, 1e-6);
    if (!options.acrossOnly) view.sx = view.sy = Math.min(view.sx, view.sy);
    view.left = left - l / view.sx - ((view.width - l - r) / view.sx - wide) / 2;
    view.top = upper + t / view.sy + ((view.height - t - b) / view.sy - high) / 2;
  }

  /** @param {View} view @param {Options} options @param {number} factor @param {number} x @param {number} y stays */
  function zoomView(view, options, factor, x, y) {
    const fitted = newView(view.width, view.height);
    fitView(fitted, options);
    const most = options.acrossOnly ? Math.max(200, fitted.sx) : Math.max(600, fitted.sx);
    const scale = Math.min(Math.max(view.sx * factor, fitted.sx * (options.acrossOnly ? 1 : 0.5)), most);
    view.left += x / view.sx - x / scale;
    if (!options.acrossOnly) view.top -= y / view.sy - y / scale;
    view.sx = scale;
    if (!options.acrossOnly) view.sy = scale;
    if (options.acrossOnly) holdAcross(view, options);
  }

  /** @param {View} view @param {Options} options no empty paper beside what can only be moved across */
  function holdAcross(view, options) {
    const [left, , right] = options.bounds();
    const [l, , r] = options.margins(view.width, view.height);
    const most = right + r / view.sx - view.width / view.sx;
    view.left = Math.max(Math.min(view.left, most), left - l / view.sx);
  }

  /** @param {HTMLCanvasElement} canvas @param {Options} options @returns {Sheet} */
  function sheet(canvas, options) {
    const ctx = context(canvas);
    const view = newView(0, 0);
    let fitted = true;
    let waiting = false;

    function draw() {
      if (!view.width || !view.height) return;
      ctx.setTransform(view.ratio, 0, 0, view.ratio, 0, 0);
      options.draw(ctx, view, colours);
    }

    function later() {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => {
        waiting = false;
        draw();
      });
    }

    function measure() {
      const [width, height] = [canvas.clientWidth, canvas.clientHeight];
      const ratio = window.devicePixelRatio || 1;
      if (!width || !height) return;
      const [x, y] = [view.left + view.width / 2 / view.sx, view.top - view.height / 2 / view.sy];
      Object.assign(view, { width, height, ratio });
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
      if (fitted || options.acrossOnly) fit();
      else Object.assign(view, { left: x - width / 2 / view.sx, top: y + height / 2 / view.sy });
      draw();
    }

    function fit() {
      fitted = true;
      fitView(view, options);
      later();
    }

    /** @param {number} factor @param {number} x @param {number} y */
    function zoomAt(factor, x, y) {
      fitted = false;
      zoomView(view, options, factor, x, y);
      later();
    }

    /** @param {number} x @param {number} y by so many pixels */
    function move(x, y) {
      fitted = false;
      view.left -= x / view.sx;
      if (options.acrossOnly) holdAcross(view, options);
      else view.top += y / view.sy;
      later();
    }

    /** @param {Box} box @param {boolean} [close] */
    function show([left, lower, right, upper], close = false) {
      if (close) {
        const factor = (0.5 * Math.min(view.width / (right - left), options.acrossOnly ? Infinity
          : view.height / (upper - lower))) / view.sx;
        zoomAt(factor, view.width / 2, view.height / 2);
      }
      const [l, b, r, t] = close ? [0, 0, 0, 0] : options.margins(view.width, view.height);
      const [x, y] = [view.x((left + right) / 2), view.y((lower + upper) / 2)];
      const out = x < Math.min(l, 40) || x > view.width - r || y < t || y > view.height - b;
      if (close || out) move(view.width / 2 - x, view.height / 2 - y);
    }

    /** @param {HTMLCanvasElement} other @param {number} width @param {number} height @param {number} ratio */
    function onto(other, width, height, ratio) {
      const page = newView(width, height);
      page.ratio = ratio;
      other.width = Math.round(width * ratio);
      other.height = Math.round(height * ratio);
      fitView(page, options);
      const paint = context(other);
      paint.setTransform(ratio, 0, 0, ratio, 0, 0);
      inLight((light) => options.draw(paint, page, light));
    }

    steer(canvas, options, { move, zoomAt });
    new ResizeObserver(measure).observe(canvas);
    watchRatio(measure);
    measure();
    const made = {
      view, draw, fit, show, onto,
      /** @param {number} factor */
      zoom: (factor) => zoomAt(factor, view.width / 2, view.height / 2),
    };
    sheets.push(made);
    return made;
  }

  /** @param {() => void} changed told when the window moves to a screen of another resolution, or the page is zoomed */
  function watchRatio(changed) {
    matchMedia(`(resolution: ${window.devicePixelRatio}dppx)`).addEventListener("change", () => {
      changed();
      watchRatio(changed);
    }, { once: true });
  }

  /** @param {(colours: Record<string, string>) => void} use told the colours of the light theme, whatever is shown */
  function inLight(use) {
    const shown = root.dataset.theme;
    root.dataset.theme = "light";
    const light = readColours();
    if (shown === undefined) delete root.dataset.theme;
    else root.dataset.theme = shown;
    use(light);
  }

  /**
   * Mouse, pen and fingers: drag moves, wheel and two fingers zoom, a press without a drag is a click.
   * @param {HTMLCanvasElement} canvas
   * @param {Options} options
   * @param {{move: (x: number, y: number) => void, zoomAt: (factor: number, x: number, y: number) => void}} by
   */
  function steer(canvas, options, by) {
    /** @type {Map<number, {x: number, y: number}>} */
    const down = new Map();
    /** @type {((x: number, y: number) => void) | null} */
    let held = null;
    let dragged = false;

    canvas.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      canvas.setPointerCapture(event.pointerId);
      down.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
      dragged = down.size > 1;
      held = down.size === 1 && options.grab ? options.grab(event.offsetX, event.offsetY) : null;
    });
    canvas.addEventListener("pointermove", (event) => {
      const from = down.get(event.pointerId);
      const [x, y] = [event.offsetX, event.offsetY];
      if (!from) {
        canvas.style.cursor = options.cursor ? options.cursor(x, y) : "";
        return;
      }
      if (!dragged && Math.hypot(x - from.x, y - from.y) < 4) return;
      dragged = true;
      if (held) held(x, y);
      else if (down.size === 1) by.move(x - from.x, y - from.y);
      else pinch(event.pointerId, from, x, y);
      down.set(event.pointerId, { x, y });
    });
    for (const name of /** @type {const} */ (["pointerup", "pointercancel"])) {
      canvas.addEventListener(name, (event) => {
        if (!down.delete(event.pointerId) || down.size) return;
        if (name === "pointerup" && !dragged) options.click(event.offsetX, event.offsetY);
        held = null;
      });
    }
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 16 : 1;
      by.zoomAt(Math.exp(-Math.max(-300, Math.min(300, event.deltaY * lines)) / 500), event.offsetX, event.offsetY);
    }, { passive: false });

    /** @param {number} moving @param {{x: number, y: number}} from @param {number} x @param {number} y */
    function pinch(moving, from, x, y) {
      for (const [id, other] of down) {
        if (id === moving) continue;
        const [was, now] = [Math.hypot(from.x - other.x, from.y - other.y), Math.hypot(x - other.x, y - other.y)];
        if (was > 1) by.zoomAt(now / was, other.x, other.y);
      }
    }
  }

  /**
   * Lettering that keeps clear of what has been written before it.
   * @param {CanvasRenderingContext2D} ctx
   * @param {View} view
   * @param {Record<string, string>} colours
   */
  function lettering(ctx, view, colours) {
    /** @type {number[][]} */
    const taken = [];

    /** @param {number[]} box left, top, right, bottom */
    function free([left, top, right, bottom]) {
      return taken.every(([l, t, r, b]) => right <= l || left >= r || bottom <= t || top >= b);
    }

    return {
      /** @param {number[]} box left, top, right, bottom: nothing is written there */
      keep: (...box) => taken.push(box),
      /**
       * Writes where there is room, on an edge of the paper's colour that sets it off.
       * @param {string} text
       * @param {number} x
       * @param {number} y  its middle
       * @param {Lettered} [how]
       * @returns {boolean} whether there was room
       */
      write(text, x, y, { size = 11, bold = false, colour = colours.ink, align = "center", always = false } = {}) {
        ctx.font = `${bold ? 600 : 400} ${size}px ${family}`;
        const width = ctx.measureText(text).width;
        const left = x - (align === "center" ? width / 2 : align === "right" ? width : 0);
        const box = [left - 2, y - size * 0.6, left + width + 2, y + size * 0.6];
        if (!always && (!free(box) || box[0] < 0 || box[1] < 0 || box[2] > view.width || box[3] > view.height)) {
          return false;
        }
        taken.push(box);
        ctx.textAlign = "left";
        ctx.textBaseline = "middle";
        ctx.lineJoin = "round";
        ctx.setLineDash([]);
        ctx.lineWidth = 3;
        ctx.strokeStyle = colours.panel;
        ctx.strokeText(text, left, y);
        ctx.fillStyle = colour;
        ctx.fillText(text, left, y);
        return true;
      },
    };
  }

  /**
   * Symbols of the verdicts.
   * @type {Record<string, (ctx: CanvasRenderingContext2D, x: number, y: number, r: number) => void>}
   */
  const SHAPES = {
    within: (ctx, x, y, r) => ctx.arc(x, y, r, 0, 2 * Math.PI),
    unresolved: (ctx, x, y, r) =>
      polygon(ctx, [[x, y - 1.2 * r], [x + 1.2 * r, y], [x, y + 1.2 * r], [x - 1.2 * r, y]]),
    outside: (ctx, x, y, r) => ctx.rect(x - r, y - r, 2 * r, 2 * r),
    unsurveyed: (ctx, x, y, r) => polygon(ctx, [[x - 1.1 * r, y + r], [x + 1.1 * r, y + r], [x, y - r]]),
  };

  /** @param {CanvasRenderingContext2D} ctx @param {number[][]} points added to the path, closed */
  function polygon(ctx, points) {
    points.forEach(([x, y], place) => (place ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
    ctx.closePath();
  }

  /**
   * The symbol of a verdict, open or filled as everywhere.
   * @param {CanvasRenderingContext2D} ctx @param {string} name @param {number} x @param {number} y @param {number} r
   * @param {Record<string, string>} colours
   */
  function symbol(ctx, name, x, y, r, colours) {
    const shape = SHAPES[name];
    if (!shape) return;
    ctx.beginPath();
    shape(ctx, x, y, r);
    ctx.setLineDash([]);
    ctx.lineWidth = 1.2;
    ctx.strokeStyle = ctx.fillStyle = colours[name];
    if (name === "within" || name === "unsurveyed") ctx.fillStyle = colours.panel;
    ctx.fill();
    ctx.stroke();
  }

  /** @param {number} span @param {number} parts a round step that divides the span into about so many */
  function roundStep(span, parts) {
    const rough = span / Math.max(parts, 1);
    const ten = 10 ** Math.floor(Math.log10(rough));
    return ten * (rough / ten > 5 ? 10 : rough / ten > 2 ? 5 : rough / ten > 1 ? 2 : 1);
  }

  return {
    sheet, hatch, lettering, polygon, symbol, roundStep, family, LINES, PREDICTED, DESIGN,
  };
})();
