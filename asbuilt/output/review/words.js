"use strict";
/**
 * Figures and marks in words: as the tool prints them everywhere else, so that no two outputs differ by a rounding.
 */
const Words = (() => {
  const DASH = "\u2013";
  const MINUS = "\u2212";
  /** What stands for a character that would not show, or would turn the text around it. */
  const UNSEEN = "\u25af";
  const SVG = "http://www.w3.org/2000/svg";
  /** More digits than this are not printed to tell a figure from its limit. */
  const MOST_PLACES = 6;

  /** Looks of the verdicts by letter: class for the colour, and the symbol in a box of 12. */
  const LOOKS = /** @type {Record<string, {name: string, shape: string, attributes: Record<string, string>}>} */ ({
    W: { name: "within", shape: "circle", attributes: { cx: "6", cy: "6", r: "4", fill: "none" } },
    U: { name: "unresolved", shape: "path", attributes: { d: "M6 .8 11.2 6 6 11.2 .8 6Z", fill: "currentColor" } },
    X: { name: "outside", shape: "path", attributes: { d: "M1.5 1.5h9v9h-9Z", fill: "currentColor" } },
    N: { name: "unsurveyed", shape: "path", attributes: { d: "M6 1.5 11 10.5H1Z", fill: "none" } },
  });

  /** @param {number | null | undefined} value @returns {value is number} */
  const known = (value) => typeof value === "number" && Number.isFinite(value);

  /**
   * Digits of a figure without its sign, a half to the even digit as in the tool.
   * @param {number} value @param {number} places
   */
  function digits(value, places) {
    const size = Math.abs(value);
    const text = size.toFixed(places);
    // Exactly half-way lie only the odd multiples of 2^-(places + 1), and this product carries no rounding error.
    const half = (size * 2 ** (places + 1)) % 2 === 1;
    if (!half || Number(text[text.length - 1]) % 2 === 0) return text;
    return (Math.floor(size * 10 ** places) / 10 ** places).toFixed(places);
  }

  /**
   * A figure with a true minus sign and none before a zero.
   * @param {number | null | undefined} value
   * @param {number} [places]
   * @param {boolean} [plus] whether a plus is written too
   */
  function figure(value, places = 0, plus = false) {
    if (!known(value)) return DASH;
    const text = digits(value, places);
    if (value < 0 && Number(text) !== 0) return MINUS + text;
    return plus ? "+" + text : text;
  }

  /**
   * A figure with as many more digits as keep it from looking equal to a limit that it is not on.
   * @param {number | null | undefined} value
   * @param {number | null | undefined} limit
   * @param {number} [places]
   */
  function against(value, limit, places = 0) {
    if (!known(value) || !known(limit) || value === limit) return figure(value, places);
    for (let more = places; more <= MOST_PLACES; more++) {
      if (figure(value, more) !== figure(limit, more)) return figure(value, more);
    }
    return figure(value, places);
  }

  /** @param {number | null | undefined} p never shown as sure where it is not */
  function chance(p) {
    if (!known(p)) return DASH;
    if (p < 0.0005) return "< 0.001";
    if (p >= 0.9995) return "> 0.999";
    return digits(p, 3);
  }

  /** @param {number} n @param {string} noun @param {string} [plural] */
  function count(n, noun, plural) {
    return `${n}\u00a0${n === 1 ? noun : plural || noun + "s"}`;
  }

  /** @param {string} text as a canvas may show it: one line, nothing unseen, nothing that turns its surroundings */
  function clean(text) {
    return text.replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}\p{Co}]/gu, UNSEEN);
  }

  /** @param {string} text the same within a longer text: its direction stays its own */
  function isolated(text) {
    return `\u2068${clean(text)}\u2069`;
  }

  /**
   * Class, text and attributes by name; false, null and undefined leave an attribute out, true writes it empty.
   * @typedef {Record<string, unknown> & {on?: Record<string, (event: any) => void>}} Props
   */

  /**
   * @template {keyof HTMLElementTagNameMap} T
   * @param {T} tag
   * @param {Props | null} [props]
   * @param {...(Node | string | null | undefined | false)} children strings become text
   * @returns {HTMLElementTagNameMap[T]}
   */
  function el(tag, props, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(props || {})) {
      if (name === "on") listen(element, /** @type {Record<string, (event: any) => void>} */ (value));
      else if (name === "text") element.textContent = String(value);
      else setAttribute(element, name, value);
    }
    append(element, children);
    return element;
  }

  /** @param {string} tag @param {Record<string, unknown> | null} [props] @param {...(Node | string | null)} children */
  function svg(tag, props, ...children) {
    const element = /** @type {SVGElement} */ (document.createElementNS(SVG, tag));
    for (const [name, value] of Object.entries(props || {})) {
      if (name === "text") element.textContent = String(value);
      else setAttribute(element, name, value);
    }
    append(element, children);
    return element;
  }

  /** @param {Element} element @param {Record<string, (event: any) => void>} handlers */
  function listen(element, handlers) {
    for (const [event, handler] of Object.entries(handlers)) element.addEventListener(event, handler);
  }

  /** @param {Element} element @param {string} name @param {unknown} value */
  function setAttribute(element, name, value) {
    // true and false are words in aria-*, and presence elsewhere
    const word = name.startsWith("aria-") && typeof value === "boolean" ? String(value) : value;
    if (word === false || word === null || word === undefined) return;
    element.setAttribute(name, word === true ? "" : String(word));
  }

  /** @param {Element} element @param {(Node | string | null | undefined | false)[]} children */
  function append(element, children) {
    for (const child of children) {
      if (child !== null && child !== undefined && child !== false) element.append(child);
    }
  }

  /** @param {string} text from outside: in an element of its own, whichever way it is written */
  function foreign(text) {
    return el("bdi", { dir: "auto", text: text.replace(/[\p{Cc}\p{Zl}\p{Zp}\p{Bidi_C}]/gu, UNSEEN) });
  }

  /** @param {string} letter @returns {SVGElement | null} the symbol alone, coloured as its text is */
  function symbol(letter) {
    const look = LOOKS[letter];
    if (!look) return null;
    const shape = svg(look.shape, { ...look.attributes, stroke: "currentColor", "stroke-width": "1.4" });
    return svg("svg", { viewBox: "0 0 12 12", width: "11", height: "11", "aria-hidden": "true", focusable: "false" },
      shape);
  }

  /** @param {number} code place in the verdicts; -1: no check made @returns {HTMLElement} symbol and letter */
  function verdictMark(code) {
    const letter = DATA.letters[code] || "";
    const look = LOOKS[letter];
    const says = DATA.verdicts[code] || "no check made";
    return el("span", { class: `mark ${look ? look.name : "none"}`, role: "img", "aria-label": says, title: says },
      symbol(letter), el("b", { text: letter || DASH }));
  }

  return {
    DASH, MINUS, known, figure, against, chance, count, clean, isolated, el, svg, foreign, symbol, verdictMark,
    /** @param {number | null | undefined} v @param {number} [places] */
    mm: (v, places = 0) => figure(v, places),
    /** @param {number | null | undefined} v @param {number} [places] with its sign, plus too */
    signed: (v, places = 0) => figure(v, places, true),
    /** @param {number | null | undefined} v a level [m] */
    level: (v) => figure(v, 2, true),
    /** @param {number} code class that gives the colour of a verdict: within, unresolved, outside, unsurveyed, none */
    verdictClass: (code) => (LOOKS[DATA.letters[code]] || { name: "none" }).name,
  };
})();
