"use strict";
/**
 * Decisions that the reader drafts, and saves as a file for `asbuilt decide`. Nothing is decided or stored here.
 *
 * @typedef {object} Draft
 * @property {string} item
 * @property {string} effect  accept, hold, withdraw
 * @property {number | null} down_to
 * @property {string} until
 * @property {string} reference
 * @property {string} by
 * @property {string} reason
 * @property {string} evidence  first letters of the hash of the item's inputs, as they were seen
 * @property {string} drafted_at
 */
const Drafts = (() => {
  const { el, foreign } = Words;
  const FILE = "decisions-draft.json";
  const dialog = /** @type {HTMLDialogElement} */ (document.getElementById("drafts"));
  /** @type {Draft[]} */
  let drafts = [];
  let saved = true;
  /** Whoever drafted last, so that the name is typed once. */
  let by = "";

  const form = el("form", { novalidate: true, class: "draft", on: { submit: onSubmit, input: onInput } });
  const evidence = el("div", { class: "evidence" });
  const listed = el("div", { class: "drafted" });

  /**
   * A field with its name before it and room for what is wrong with it after it.
   * @template {HTMLElement} T @param {string} name @param {string} label @param {T} control @returns {HTMLElement}
   */
  function field(name, label, control) {
    control.id = `draft-${name}`;
    control.setAttribute("aria-describedby", `wrong-${name}`);
    return el(
      "div",
      { class: "field", "data-field": name },
      el("label", { for: control.id, text: label }),
      control,
      el("span", { class: "wrong", id: `wrong-${name}` }),
    );
  }

  const item = el("input", { autocomplete: "off", spellcheck: "false", required: true });
  const effect = el(
    "select",
    null,
    ...[
      ["accept", "accept: lifts the hold"],
      ["hold", "hold, until something is met"],
      ["withdraw", "withdraw the last decision"],
    ].map(([value, text]) => el("option", { value, text })),
  );
  const downTo = el("select", null);
  const until = el("input", { autocomplete: "off", required: true });
  const reference = el("input", { autocomplete: "off" });
  const name = el("input", { autocomplete: "off", required: true });
  const reason = el("textarea", { rows: 3, required: true });

  /** @type {Record<string, HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement>} */
  const controls = { item, effect, down_to: downTo, until, reason, by: name, reference };

  /** @returns {Record<string, string>} what is wrong, by field */
  function faults() {
    /** @type {Record<string, string>} */
    const wrong = {};
    const id = item.value.trim();
    if (!PLACES.has(id) && !Items.findings.has(id)) wrong.item = id ? "no such pile, joint or finding" : "which one?";
    if (effect.value === "hold" && !until.value.trim()) wrong.until = "say what must be met";
    if (effect.value === "withdraw" && !DATA.decisions.some((one) => one.item === id)) {
      wrong.effect = "there is no decision on it to withdraw";
    }
    if (!name.value.trim()) wrong.by = "who decides?";
    if (!reason.value.trim()) wrong.reason = "say why";
    return wrong;
  }

  /** @param {Record<string, string>} wrong shows what is wrong beside its field; the first one is gone to */
  function mark(wrong) {
    for (const [key, control] of Object.entries(controls)) {
      const beside = /** @type {HTMLElement} */ (form.querySelector(`#wrong-${key}`));
      beside.textContent = wrong[key] || "";
      if (wrong[key]) control.setAttribute("aria-invalid", "true");
      else control.removeAttribute("aria-invalid");
    }
    const first = Object.keys(controls).find((key) => wrong[key]);
    if (first) controls[first].focus();
  }

  /** @param {Event} event */
  function onSubmit(event) {
    event.preventDefault();
    const wrong = faults();
    mark(wrong);
    if (Object.keys(wrong).length) return;
    const id = item.value.trim();
    by = name.value.trim();
    drafts.push({
      item: id,
      effect: effect.value,
      down_to: effect.value === "accept" && downTo.value ? Number(downTo.value) : null,
      until: effect.value === "hold" ? until.value.trim() : "",
      reference: reference.value.trim(),
      by,
      reason: reason.value.trim(),
      evidence: DATA.evidence[id] || "",
      drafted_at: new Date().toISOString(),
    });
    saved = false;
    reason.value = "";
    drawList();
    focusSave();
  }

  /** @param {Event} event */
  function onInput(event) {
    if (event.target === item || event.target === effect) drawForm();
    const control = /** @type {HTMLElement} */ (event.target);
    if (control.getAttribute("aria-invalid")) {
      control.removeAttribute("aria-invalid");
      /** @type {HTMLElement} */ (form.querySelector(`#wrong-${control.id.slice("draft-".length)}`)).textContent = "";
    }
  }

  /** What the decision would stand on: the item's verdict and figures now, and whether they were measured at all. */
  function drawForm() {
    const id = item.value.trim();
    const unmeasured = DATA.letters[Items.verdict(id)] === "N";
    const show = (/** @type {string} */ key, /** @type {boolean} */ shown) => {
      /** @type {HTMLElement} */ (form.querySelector(`[data-field=${key}]`)).hidden = !shown;
    };
    show("down_to", effect.value === "accept");
    show("until", effect.value === "hold");
    evidence.replaceChildren();
    if (!PLACES.has(id) && !Items.findings.has(id)) return;
    evidence.append(
      el(
        "p",
        null,
        PLACES.has(id) && Words.verdictMark(Items.verdict(id)),
        " ",
        foreign(Items.reasons(id) || Items.short(id) || "nothing found by these checks"),
      ),
      el(
        "p",
        { class: "soft" },
        DATA.evidence[id] ? `Evidence ${DATA.evidence[id]}, as of ${DATA.as_of_text}` : `As of ${DATA.as_of_text}`,
      ),
    );
    if (unmeasured && effect.value === "accept") {
      evidence.append(
        el("p", { class: "warn", text: "It is not surveyed: this would be accepted without measurement." }),
      );
    }
  }

  /** @param {Draft} draft @param {number} place */
  function draftRow(draft, place) {
    const down = draft.down_to === null ? "" : ` down to ${Words.level(draft.down_to)}`;
    const bare = draft.effect === "accept" && DATA.letters[Items.verdict(draft.item)] === "N";
    return el(
      "li",
      null,
      el(
        "span",
        null,
        el("b", null, foreign(draft.item)),
        ` ${draft.effect}${down} `,
        draft.until && el("span", null, "until ", foreign(draft.until)),
        " by ",
        foreign(draft.by),
        ": ",
        foreign(draft.reason),
        draft.reference && el("span", null, " (", foreign(draft.reference), ")"),
        bare && el("span", { class: "warn", text: "accepted without measurement" }),
      ),
      el("button", {
        type: "button",
        class: "link",
        "aria-label": `Remove the draft on ${draft.item}`,
        text: "remove",
        on: { click: () => remove(place) },
      }),
    );
  }

  /** @param {number} place */
  function remove(place) {
    drafts = drafts.filter((_, k) => k !== place);
    saved = drafts.length === 0;
    drawList();
    item.focus();
  }

  /** @returns {string} the file */
  function text() {
    return `${JSON.stringify(
      {
        format: DATA.draft_format,
        site: DATA.site,
        as_of: DATA.as_of,
        inputs_sha256: DATA.inputs_sha256,
        decisions: drafts,
      },
      null,
      1,
    )}\n`;
  }

  function save() {
    const url = URL.createObjectURL(new Blob([text()], { type: "application/json" }));
    const anchor = el("a", { href: url, download: FILE });
    anchor.click();
    // the browser takes the file in its own time
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    saved = true;
    drawList();
    focusSave();
  }

  /** The list is drawn anew: the button that had the focus is gone. */
  const focusSave = () => /** @type {HTMLElement} */ (listed.querySelector("#save-drafts")).focus();

  function drawList() {
    /** @type {HTMLElement} */ (document.getElementById("draft-count")).textContent = String(drafts.length);
    /** @type {HTMLElement} */ (document.getElementById("open-drafts")).classList.toggle("unsaved", !saved);
    listed.replaceChildren(el("h3", { text: `Drafted: ${drafts.length}` }));
    if (!drafts.length) {
      listed.append(el("p", { class: "soft", text: "None yet." }));
      return;
    }
    const copy = el("textarea", {
      readonly: true,
      rows: 5,
      "aria-label": "The draft, for copying",
      class: "copy",
      on: { focus: () => copy.select() },
    });
    copy.value = text();
    listed.append(
      el("ol", { class: "plain" }, ...drafts.map(draftRow)),
      el(
        "p",
        { class: "actions" },
        el("button", { type: "button", id: "save-drafts", text: `Save ${FILE}`, on: { click: save } }),
        el("span", {
          role: "status",
          class: "soft",
          text: saved ? "given to your browser as a download" : "not saved yet",
        }),
      ),
      el("p", { class: "soft", text: "Where a download is not allowed, copy this into a file of that name:" }),
      copy,
    );
  }

  /** Levels that an accept can be for: every stage, or none deeper than one of them. */
  function stageOptions() {
    const stages = [...DATA.stages].sort((one, other) => other.level - one.level);
    return [
      el("option", { value: "", text: "every stage" }),
      ...stages.map((stage) =>
        el("option", { value: stage.level, text: `${Words.level(stage.level)}, ${Words.clean(stage.name)}` }),
      ),
    ];
  }

  function build() {
    downTo.append(...stageOptions());
    form.append(
      field("item", "Pile, joint or finding", item),
      evidence,
      field("effect", "Effect", effect),
      field("down_to", "Down to", downTo),
      field("until", "Until", until),
      field("reason", "Reason", reason),
      field("by", "Decided by", name),
      field("reference", "Document behind it (not needed)", reference),
      el("button", { type: "submit", text: "Add to the draft" }),
    );
    dialog.append(
      Start.closer(dialog),
      el("h2", { id: "drafts-title", text: "Decisions drafted" }),
      el(
        "p",
        { class: "notice" },
        el("b", { text: "Nothing is decided yet. " }),
        "Save the draft and hand it in with: ",
        el("code", { text: `asbuilt decide DIR --from ${FILE}` }),
      ),
      el("div", { class: "halves" }, form, listed),
    );
  }

  /** @param {string} [id] item that the form starts with; default: the selected one */
  function open(id) {
    item.value = id ?? Store.get().item;
    name.value = name.value || by;
    mark({});
    drawForm();
    drawList();
    if (!dialog.open) dialog.showModal();
    (item.value ? effect : item).focus();
  }

  function start() {
    build();
    /** @type {HTMLElement} */ (document.getElementById("open-drafts")).addEventListener("click", () => open());
    addEventListener("beforeunload", (event) => {
      if (!saved) event.preventDefault();
    });
    dialog.addEventListener("close", () => Store.set({ drafting: false }));
    // the key for it is elsewhere: it only says so
    Store.on((state, before) => {
      if (state.drafting && !before.drafting) open();
    });
    drawList();
  }

  return { start, open };
})();
