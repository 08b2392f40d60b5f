"use strict";
// The bench page. All text of the study goes in by textContent; nothing is ever read as markup.
(() => {
  const plan = JSON.parse(document.getElementById("plan").textContent);
  const { welds, fields, arc } = plan;
  const END = welds.length + 1; // places: 0 is the start, 1 ... n the welds, END the list of all
  const { make, setText, asNumber } = parts;
  const at = (id) => document.getElementById(id);
  const use = (name) => fields.find((field) => field.use === name);
  fields.forEach((field, i) => { field.id = `field-${i}`; });
  // A second bead is only looked over: what is read on a section is not shown, and a trip may be noted but is not asked.
  const isShown = (field, weld) => !(weld.isSecond && plan.second.hidden.includes(field.heading));
  const isAsked = (field, weld) => field.asked && isShown(field, weld) && !(weld.isSecond && plan.second.optional.includes(field.heading));

  // ---- what is kept, and where --------------------------------------------------------------------------------
  const fresh = () => ({ place: 0, entries: {}, arcs: {}, lastArc: null, units: {}, past: [] });
  let state = fresh();
  const keeper = parts.keeper(plan.key);
  let canSave = true;
  let typing = ""; // the field being typed in: its letters are one step of undo

  function load() {
    let kept = null;
    try {
      kept = localStorage.getItem(plan.key);
      state = { ...fresh(), ...keeper.read() };
    } catch (error) {
      if (kept === null) return; // not even reading is allowed: saving will say so
      localStorage.setItem(`${plan.key} damaged`, kept);
      say("What was saved on this device is damaged. It is kept aside, and the page starts anew.");
    }
  }

  function save() {
    try {
      canSave = keeper.write(state);
    } catch (error) {
      canSave = false;
    }
    tellSaved();
  }

  function tellSaved() {
    setText(at("saved"), canSave ? "Saved on this device" : "Not saved");
    at("warning").hidden = canSave;
    setText(at("warning"), canSave ? "" : "This device does not let the page save. What you enter is lost when the "
      + "page is closed or reloaded: export it before that (All welds), or write on the paper run sheet.");
  }

  const holdsOtherPlans = () => canSave && Object.keys(localStorage).some((key) => key.startsWith(plan.sameStudy) && !key.startsWith(plan.key));

  const copy = (value) => JSON.parse(JSON.stringify(value));
  const entry = (weld, heading) => (state.entries[weld.weld] || {})[heading] || { text: "", unit: "" };
  const text = (weld, heading) => entry(weld, heading).text;

  function put(weld, heading, words, unit = "") {
    const own = state.entries[weld.weld] || (state.entries[weld.weld] = {});
    if (words === "") delete own[heading];
    else own[heading] = { text: words, unit };
  }

  // Every change goes through here: it can be undone, and it is saved at once.
  function change(words, weld, act, typed = "") {
    if (!typed || typed !== typing) {
      state.past.push({ words, weld: weld.weld, place: state.place, lastArc: state.lastArc,
        entries: copy(state.entries[weld.weld] || {}), arc: copy(state.arcs[weld.weld] || null) });
      state.past = state.past.slice(-100);
    }
    typing = typed;
    act();
    save();
    tellProgress();
  }

  function undo() {
    const last = state.past.pop();
    if (!last) return;
    typing = "";
    state.entries[last.weld] = last.entries;
    if (last.arc) state.arcs[last.weld] = last.arc;
    else delete state.arcs[last.weld];
    state.lastArc = last.lastArc;
    const focus = state.place === last.place ? "undo" : "";
    state.place = last.place;
    save();
    draw(focus);
    say(`Undone: ${last.words}`);
  }

  // ---- what is known of a weld ---------------------------------------------------------------------------------
  const tripped = (weld) => arc.trips.filter((trip) => text(weld, trip.heading) === "yes");
  const sameSetting = (a, b) => JSON.stringify(a.dials) === JSON.stringify(b.dials);
  const status = (weld) => text(weld, use("status").heading);
  const isBegun = (weld) => fields.some((field) => field.asked && text(weld, field.heading) !== "");
  const isMade = (weld) => isBegun(weld) && status(weld) !== "not run";

  function missing(weld) {
    if (status(weld) === "not run" || status(weld) === "scrapped") return [];
    const labels = fields.filter((f) => isAsked(f, weld) && text(weld, f.heading) === "").map((f) => f.label);
    if (status(weld) === "aborted" && text(weld, use("notes").heading) === "") labels.push("why, in the notes");
    return labels;
  }

  function cares(weld, i) {
    const others = welds.filter((other) => other !== weld && sameSetting(other, weld) && tripped(other).length);
    const names = others.map((other) => other.weld).join(" and ");
    if (tripped(weld).length) {
      return [...(others.length ? [`${names} tripped at this setting too: it is done. Go on to the next weld.`] : []), ...plan.afterTrip];
    }
    if (others.length > 1) return [`${names} tripped at this setting: it is done. Mark this weld “not run”, and go on.`];
    if (others.length) return [`${names} tripped at this setting. If it trips again, this setting is done.`];
    const before = welds[i - 1];
    return before && !isBegun(weld) && tripped(before).length ? [`${before.weld}, the weld before, tripped: let breaker and machine cool before this arc.`] : [];
  }

  // ---- numbers: kept as typed; read only to show a doubt or a conversion ----------------------------------------
  const short = (value) => String(Number(value.toPrecision(3)));
  function remark(field, weld) {
    const { text: words, unit } = entry(weld, field.heading);
    if (words.trim() === "" || field.words.some((word) => word.text === words)) return ["", ""];
    if (/^\s*[1-9]\d{0,2},\d{3}\s*$/.test(words)) {
      return ["doubt", `“${words}” can be ${words.replace(",", ".")} or ${words.replace(",", "")}: write it without the comma.`];
    }
    const value = asNumber(words);
    if (field.kind === "count") return Number.isInteger(value) && value >= 0 ? ["", ""] : ["doubt", "A whole number is meant."];
    if (Number.isNaN(value)) {
      const mayBe = /\d.*[a-z"″%°+]|^[<>≥]|[½¼¾⅛⅜⅝⅞]/i.test(words);
      return mayBe ? ["", ""] : ["doubt", `“${words}” may not be readable: a number such as 2.1 or 3/32 is meant.`];
    }
    const own = field.units.find((known) => known.own);
    const typed = field.units.find((known) => known.unit === unit) || own;
    const inOwn = typed ? typed.zero + typed.scale * value : value;
    if (field.full !== null && inOwn > field.full) {
      return ["doubt", `${words} is deeper than the plate is thick (${short(field.full)} ${own ? own.shown : ""}). `
        + `Is it ${short(value / 10)}, or burnt through?`];
    }
    if (own && own.unit === "s" && inOwn > 900) return ["doubt", "Over 15 minutes: was the timer left running? Type the arc time."];
    return typed && typed !== own ? ["hint", `= ${short(inOwn)} ${own.shown}`] : ["", ""];
  }

  // ---- the table -----------------------------------------------------------------------------------------------
  function cell(field, { text: words, unit }) {
    const plain = words.replace(/[\r\n]+/g, " ").trim();
    const own = field.units.find((known) => known.own);
    const isBare = /[\d¼-¾⅐-⅞]/.test(plain) && !/[a-z"'″′”’°%]/i.test(plain);
    if (!own || !unit || unit === own.unit || !isBare) return plain;
    return plain.endsWith("+") ? `${plain.slice(0, -1).trim()} ${unit}+` : `${plain} ${unit}`;
  }

  function csv() {
    const filled = (weld) => fields.map((field) => parts.safe(cell(field, entry(weld, field.heading))));
    const inOrder = [...welds].sort((a, b) => a.row - b.row);
    const rows = [plan.headings, ...inOrder.map((weld) => [...plan.rows[weld.row], ...filled(weld)])];
    return parts.csv(plan.comments, rows);
  }

  const tell = (words) => setText(at("exported"), words);

  // ---- timers: from wall-clock times, so that a locked phone does not lose them ----------------------------------
  const arcOf = (weld) => state.arcs[weld.weld] || { ran: 0, since: null };
  const arcTime = ({ ran, since }) => ran + (since === null ? 0 : Math.max(0, Date.now() - since));
  const running = () => welds.find((weld) => arcOf(weld).since !== null);
  const inSeconds = (ms) => (ms / 1000).toFixed(1);
  const inMinutes = (ms) => `${Math.floor(ms / 60000)}:${String(Math.floor(ms / 1000) % 60).padStart(2, "0")}`;
  const restTime = () => (state.lastArc === null ? null : Math.max(0, Date.now() - state.lastArc));

  function startArc(weld) {
    const fill = (field, words, unit) => { if (field && text(weld, field.heading) === "") put(weld, field.heading, words, unit); };
    change(`arc timer started, ${weld.weld}`, weld, () => {
      const now = Date.now();
      const pause = arcOf(weld).ran === 0 ? restTime() : null;
      if (pause !== null && pause < 12 * 3600e3) fill(use("rest"), (pause / 60000).toFixed(1), "min"); // longer: another day
      const local = new Date(now - new Date(now).getTimezoneOffset() * 60000);
      fill(use("time"), local.toISOString().slice(0, 19));
      state.arcs[weld.weld] = { ran: arcOf(weld).ran, since: now };
    });
    draw("arc-key");
    say("Arc timer running");
  }

  function stopArc(weld, answers) {
    change(`arc timer stopped, ${weld.weld}`, weld, () => {
      const ran = arcTime(arcOf(weld));
      state.arcs[weld.weld] = { ran, since: null };
      state.lastArc = Date.now();
      arc.trips.forEach((trip) => put(weld, trip.time, inSeconds(ran), "s"));
      answers.forEach(([heading, answer]) => put(weld, heading, answer));
    });
    draw("arc-key");
    say(`${inSeconds(arcOf(weld).ran)} seconds. ${tripped(weld).length ? plan.afterTrip[0] : "The coupon is hot."}`);
  }

  let spoken = "";
  function tick() {
    const weld = welds[state.place - 1];
    if (at("arc-clock")) {
      const ms = arcTime(arcOf(weld));
      const isRunning = arcOf(weld).since !== null;
      setText(at("arc-clock"), `${inSeconds(ms)} s`);
      const aims = arc.hold === null ? [] : [arc.hold, 2 * arc.hold].filter((s) => ms >= 1000 * s);
      const reached = aims.length ? `${aims[aims.length - 1]} s reached` : "";
      setText(at("arc-reached"), reached);
      const now = reached || (ms >= 10000 ? `${10 * Math.floor(ms / 10000)} seconds` : "");
      if (isRunning && now !== spoken) {
        if (reached && navigator.vibrate) navigator.vibrate(300);
        say(now);
        spoken = now;
      }
    }
    if (at("rest-clock") && restTime() !== null) setText(at("rest-clock"), inMinutes(restTime()));
  }

  // ---- drawing -------------------------------------------------------------------------------------------------
  function say(words) { setText(at("said"), ""); setText(at("said"), words); }
  const key = (id, label, act, props = {}) => make("button", { type: "button", id, text: label, act, ...props });
  const list = (lines) => make("ul", {}, ...lines.map((line) => make("li", { text: line })));
  const care = (title, lines) => make("section", { class: "care" }, make("h3", { text: title }), list(lines));

  function pressKeys(field, weld, options, labelled) {
    const keys = options.map(([words, meaning], i) => {
      const isPressed = text(weld, field.heading) === words;
      const press = () => {
        change(`${field.label} ${isPressed ? "cleared" : words}, ${weld.weld}`, weld, () => put(weld, field.heading, isPressed ? "" : words));
        draw(`${field.id}-${i}`);
        if (tripped(weld).some((trip) => trip.heading === field.heading)) say(plan.afterTrip[0]);
      };
      const button = key(`${field.id}-${i}`, words, press, { "aria-pressed": String(isPressed) });
      if (meaning) button.append(make("span", { class: "meaning", text: meaning }));
      return button;
    });
    return make("div", { class: keys.length === 4 ? "keys four" : "keys", role: "group", "aria-labelledby": labelled }, ...keys);
  }

  const label = (field, forId) => make(forId ? "label" : "p", { class: "label", id: `${field.id}-label`, for: forId },
    document.createTextNode(field.label), field.hint ? make("span", { class: "hint", text: ` – ${field.hint}` }) : null);

  function typed(field, weld, tag, props) {
    const box = make(tag, { id: field.id, autocomplete: "off", "aria-describedby": `${field.id}-remark`, ...props });
    box.value = text(weld, field.heading);
    box.addEventListener("input", () => {
      change(`${field.label}, ${weld.weld}`, weld, () => put(weld, field.heading, box.value, unitOf(field, weld)), field.id + weld.weld);
      showRemark(field, weld);
      for (const button of document.querySelectorAll(`[data-of="${field.id}"]`)) button.setAttribute("aria-pressed", String(button.dataset.words === box.value));
    });
    box.addEventListener("blur", () => { typing = ""; });
    return box;
  }

  const unitOf = (field, weld) => entry(weld, field.heading).unit || state.units[field.heading] || (field.units[0] || { unit: "" }).unit;

  function showRemark(field, weld) {
    const [kind, words] = remark(field, weld);
    at(`${field.id}-remark`).className = kind || "doubt";
    setText(at(`${field.id}-remark`), words);
  }

  function unitKeys(field, weld) {
    if (field.units.length < 2) return field.units.map((unit) => make("span", { class: "only-unit", text: unit.shown }));
    return field.units.map((unit, i) => key(`${field.id}-unit-${i}`, unit.shown, () => {
      state.units[field.heading] = unit.unit;
      const words = text(weld, field.heading);
      if (words === "") save();
      else change(`${field.label} in ${unit.shown}, ${weld.weld}`, weld, () => put(weld, field.heading, words, unit.unit));
      draw(`${field.id}-unit-${i}`);
    }, { class: "unit", "aria-pressed": String(unitOf(field, weld) === unit.unit), "aria-label": `${field.label} is in ${unit.shown}` }));
  }

  function wordKeys(field, weld) {
    const before = field.stays ? welds.slice(0, welds.indexOf(weld)).reverse().find((other) => text(other, field.heading) !== "") : null;
    const write = (words, unit, id) => {
      change(`${field.label} ${words}, ${weld.weld}`, weld, () => put(weld, field.heading, text(weld, field.heading) === words ? "" : words, unit));
      draw(id);
    };
    const keys = field.words.map((word, i) => key(`${field.id}-word-${i}`, word.label, () => write(word.text, "", `${field.id}-word-${i}`),
      { "aria-pressed": String(text(weld, field.heading) === word.text), "data-of": field.id, "data-words": word.text }));
    if (before && text(weld, field.heading) === "") {
      const { text: words, unit } = entry(before, field.heading);
      keys.push(key(`${field.id}-stays`, `as ${before.weld}: ${cell(field, { text: words, unit })}`, () => write(words, unit, field.id)));
    }
    return keys.length ? make("div", { class: "keys" }, ...keys) : null;
  }

  function stepKeys(field, weld) {
    const now = () => asNumber(text(weld, field.heading)) || 0;
    const step = (id, sign, words, then) => key(`${field.id}-${id}`, sign, () => {
      change(`${field.label} ${then()}, ${weld.weld}`, weld, () => put(weld, field.heading, String(then())));
      draw(`${field.id}-${id}`);
    }, { class: "step", "aria-label": `${field.label}: ${words}` });
    return [step("none", "0", "none", () => 0), step("less", "−", "one less", () => Math.max(0, now() - 1)), step("more", "+", "one more", () => now() + 1)];
  }

  function drawField(field, weld) {
    const remarkNode = make("p", { id: `${field.id}-remark`, class: "doubt", "aria-live": "polite" });
    if (field.kind === "status" || field.kind === "choice") {
      const options = field.choices.map((choice, i) => [choice, (field.meanings || [])[i]]);
      return make("div", { class: "field" }, label(field, null), pressKeys(field, weld, options, `${field.id}-label`));
    }
    const isNumber = field.kind === "number" || field.kind === "count";
    const box = field.kind === "notes" ? typed(field, weld, "textarea", { rows: 3 })
      : typed(field, weld, "input", { type: "text", inputmode: field.kind === "count" ? "numeric" : isNumber ? "decimal" : "text" });
    const row = make("div", { class: "keys" }, box, ...(field.kind === "count" ? stepKeys(field, weld) : unitKeys(field, weld)));
    return make("div", { class: "field" }, label(field, field.id), row, remarkNode, wordKeys(field, weld));
  }

  function picture(weld) {
    const beads = Array.from({ length: weld.beads }, (_, i) => make("rect", { x: 10, y: (52 * (i + 1)) / (weld.beads + 1) - 3,
      width: 80, height: 6, class: i + 1 === weld.position ? "this" : "" }));
    return make("svg", { viewBox: "0 0 100 52", role: "img", "aria-label": `bead ${weld.position} of ${weld.beads} on plate ${weld.plate}` },
      make("rect", { x: 1, y: 1, width: 98, height: 50 }), ...beads);
  }

  // A number is never broken over two lines: 120 must not be read as 12.
  function sizeOf(large) {
    if (large.length > 7 || /\s/.test(large)) return "long";
    return { 1: "short", 2: "short", 3: "three", 4: "four" }[large.length] || "seven";
  }

  function drawDials(weld) {
    const dials = weld.dials.map((dial) => make("li", { class: dial.isOfPlate ? "of-plate" : "" },
      make("span", { class: "name", text: dial.isOfPlate ? `${dial.name} – set once a plate` : dial.name }),
      make("span", { class: `large ${sizeOf(dial.large)}`, text: dial.large }),
      dial.small ? make("span", { class: "small", text: dial.small }) : null));
    return make("ul", { class: "dials", "aria-label": "set the dials" }, ...dials);
  }

  function drawArc(weld) {
    const here = arcOf(weld);
    const isRunning = here.since !== null;
    const elsewhere = running();
    const clock = make("p", { id: "arc-clock", class: isRunning ? "clock running" : "clock", role: "timer", "aria-live": "off", "aria-label": "arc time" });
    let keys;
    if (elsewhere && elsewhere !== weld) {
      keys = [key("arc-key", `The arc timer of ${elsewhere.weld} is running: go there`, () => go(welds.indexOf(elsewhere) + 1), { class: "alarm" })];
    } else if (isRunning) {
      const none = arc.trips.map((trip) => [trip.heading, "no"]);
      keys = [key("arc-key", arc.trips.length ? "Stop: no trip" : "Stop", () => stopArc(weld, none), { class: "main" }),
        ...arc.trips.map((trip, i) => key(`arc-trip-${i}`, `Stop: ${trip.name}`, () => stopArc(weld, [[trip.heading, "yes"]]), { class: "alarm" }))];
    } else {
      keys = [key("arc-key", here.ran ? "Start again, and add" : "Start the arc timer", () => startArc(weld), { class: "main" })];
    }
    const aim = arc.hold === null || weld.isSecond ? "" : `Hold for ${2 * arc.hold} s where you can (${arc.hold} s asked).`;
    return make("div", { class: "field" }, make("p", { class: "label", text: "arc time" }), clock, make("p", { id: "arc-reached", class: "label" }),
      aim ? make("p", { class: "hint", text: aim }) : null, make("div", { class: "keys" }, ...keys));
  }

  function drawRest(weld) {
    if (running()) return null;
    if (state.lastArc === null) return make("p", { class: "hint", text: "The rest timer starts when an arc timer is stopped." });
    const isOver = arcOf(weld).ran > 0;
    const write = () => {
      change(`rest, ${weld.weld}`, weld, () => put(weld, use("rest").heading, (restTime() / 60000).toFixed(1), "min"));
      draw("rest-key");
    };
    return make("div", { class: "field" }, make("p", { class: "label", text: isOver ? "rest so far, for the next weld (min:s)" : "since the last arc (min:s)" }),
      make("p", { id: "rest-clock", class: "clock", role: "timer", "aria-live": "off", "aria-label": "rest" }),
      isOver || !use("rest") ? null : make("div", { class: "keys" }, key("rest-key", "Write this rest down", write)));
  }

  function drawWeld(i) {
    const weld = welds[i];
    const part = (name) => fields.filter((field) => field.part === name && isShown(field, weld)).map((field) => drawField(field, weld));
    const section = (title, ...inside) => make("section", { class: "part" }, make("h3", { text: title }), ...inside);
    const folded = (id, title, name) => {
      const inside = part(name);
      const isUsed = fields.some((field) => field.part === name && text(weld, field.heading) !== "");
      return inside.length ? make("details", { class: "part", id, open: isUsed || open.has(id) }, make("summary", { text: title }), ...inside) : null;
    };
    const lines = cares(weld, i);
    const taking = lines.length ? care("Take care", lines) : null;
    const isTripped = tripped(weld).length > 0;
    const plate = weld.dials.filter((dial) => dial.isOfPlate).map((dial) => `${dial.name} ${dial.large}\u00a0${dial.small}`.trim());
    return [
      make("div", { class: "weld-head" }, make("div", {}, make("h2", { id: "heading", tabindex: "-1", text: `${weld.weld}: weld ${i + 1} of ${welds.length}` }),
        make("p", { class: "place", text: [`plate ${weld.plate}`, weld.beads > 1 ? `position ${weld.position}` : "", weld.block].filter(Boolean).join(", ") })),
      picture(weld)),
      weld.isFirst ? make("p", { class: "banner", text: [`Change to plate ${weld.plate}`, ...plate].join(", ") }) : null,
      isTripped ? null : taking,
      drawDials(weld),
      weld.reason ? make("p", { class: "hint", text: weld.reason }) : null,
      list(plan.always),
      section("Before the arc", drawRest(weld), ...part("before")),
      section("The arc", drawArc(weld), isTripped ? taking : null, ...part("arc"), ...part("status"), ...part("after")),
      section(weld.isSecond ? "Looked over" : "After cutting", ...part("measure")),
      make("section", { class: "part" }, ...part("notes")),
      folded("more", "More to write down", "more"),
      folded("set", "Not set as planned", "set"),
    ];
  }

  function drawStart() {
    const next = welds.findIndex((weld) => !isBegun(weld));
    return [
      make("h2", { id: "heading", tabindex: "-1", text: "Before the first arc" }),
      holdsOtherPlans() ? make("p", { class: "banner", text: "This device also holds entries made for another version of this plan. They are kept, and not "
        + "shown here: open the page they were made with to export them." }) : null,
      list(plan.checks), care("Take care", plan.care), parts.lookKeys(),
      make("section", { class: "part" }, make("h3", { text: "How to fill in" }), list([...plan.how,
        "Every tap is saved on this device. Leave blank what was not measured; tap a chosen button again to clear it.",
        "The unit button says what your number is in; it does not convert it."])),
      make("div", { class: "keys" }, key("begin", next < 0 ? "Look at the welds" : `Go to ${welds[next].weld}`, () => go(next < 0 ? END : next + 1), { class: "main" })),
    ];
  }

  function drawAll() {
    const rows = welds.map((weld, i) => {
      const lacks = missing(weld);
      const words = isBegun(weld) ? `${status(weld) || "begun"}; ${lacks.length ? `still open: ${lacks.join(", ")}` : "complete"}` : "not yet";
      return make("li", {}, make("button", { type: "button", id: `weld-${i}`, act: () => go(i + 1) }, make("strong", { text: weld.weld }),
        document.createTextNode(` – ${words}`)));
    });
    const area = make("textarea", { id: "as-text", readonly: true, rows: 8, "aria-label": "the table as text" });
    area.value = csv();
    return [
      make("h2", { id: "heading", tabindex: "-1", text: "All welds" }),
      make("section", { class: "part" }, make("h3", { text: "Export" }),
        make("p", { text: `Then, on the computer: weldwindow take ${plan.file} FOLDER (the study’s folder).` }),
        make("div", { class: "keys" }, key("download", "Download the table", () => tell(parts.download(plan.file, csv())), { class: "main" }),
          parts.mayShare(plan.file, csv()) ? key("share", "Share the table", () => parts.share(plan.file, csv()).then(tell)) : null),
        make("p", { id: "exported", role: "status" }),
        make("details", {}, make("summary", { text: "As text, to copy" }), area)),
      make("ul", { class: "list" }, ...rows),
    ];
  }

  const open = new Set();
  function draw(focus) {
    if (focus) document.querySelectorAll("details[id]").forEach((node) => open[node.open ? "add" : "delete"](node.id));
    else open.clear();
    const top = at(focus) ? at(focus).getBoundingClientRect().top : null;
    const drawn = state.place === 0 ? drawStart() : state.place === END ? drawAll() : drawWeld(state.place - 1);
    at("screen").replaceChildren(...drawn.filter((part) => part !== null));
    if (state.place > 0 && state.place < END) {
      fields.filter((field) => at(`${field.id}-remark`)).forEach((field) => showRemark(field, welds[state.place - 1]));
    }
    tellProgress();
    tick();
    (at(focus) || at("heading")).focus({ preventScroll: Boolean(focus) });
    if (top !== null && at(focus)) window.scrollBy(0, at(focus).getBoundingClientRect().top - top); // what was tapped stays put
  }

  function tellProgress() {
    const made = welds.filter(isMade);
    const idle = welds.filter((weld) => status(weld) === "not run").length;
    const complete = made.filter((weld) => missing(weld).length === 0).length;
    setText(at("progress-words"), `${made.length} of ${welds.length} welds made, ${complete} complete${idle ? `, ${idle} not run` : ""}`);
    at("progress").value = made.length + idle;
    const last = state.past[state.past.length - 1];
    at("undo").setAttribute("aria-label", last ? `Undo: ${last.words}` : "Undo: nothing to undo");
    [["undo", !last], ["back", state.place === 0], ["next", state.place === END]].forEach(([id, isOff]) => at(id).setAttribute("aria-disabled", String(isOff)));
  }

  function go(place) {
    state.place = Math.min(END, Math.max(0, place));
    typing = "";
    save();
    draw("");
    window.scrollTo(0, 0);
  }

  load();
  state.place = Math.min(END, Math.max(0, Number(state.place) || 0));
  at("bar").hidden = false;
  at("back").addEventListener("click", () => go(state.place - 1));
  at("next").addEventListener("click", () => go(state.place + 1));
  at("all").addEventListener("click", () => go(END));
  at("undo").addEventListener("click", undo);
  window.addEventListener("storage", (event) => { if (event.key === plan.key && event.newValue) { load(); draw(""); } });
  window.addEventListener("beforeunload", (event) => { if (!canSave && welds.some(isBegun)) event.preventDefault(); });
  setInterval(tick, 200);
  save();
  draw("");
})();
