"use strict";
// The macro page: which section, what is clicked next, what it gives, and the table of all sections.
(() => {
  const plan = JSON.parse(document.getElementById("plan").textContent);
  const { make, setText, asNumber } = parts;
  const at = (id) => document.getElementById(id);
  const jointOf = (id) => plan.joints.find((joint) => joint.id === id);
  const MOST_READINGS = 3;

  // ---- what is kept, and where: the clicks, never the picture -------------------------------------------------------
  const fresh = () => ({
    unit: plan.unit, reader: "", etchant: "", joint: plan.joint, step: "scale", weld: plan.welds[0], cut: 1, reading: 0,
    scale: { kind: plan.thickness_mm ? "thickness" : "length", known: plan.thickness_mm ? inUnit(plan.thickness_mm, plan.unit) : "", second: "", unit: plan.unit },
    goes: Object.fromEntries(plan.responses.map((response) => [response.name, response.guess])),
    sections: {}, past: [],
  });
  const pictures = new Map(); // of this visit: section to its picture
  let state = fresh();
  const keeper = parts.keeper(plan.key);
  let canSave = true;
  let typing = "";
  let pending = null; // a picture that is not the one measured before: { image, picture }
  let lastSpot = null; // the point that was put or moved last
  let loadWords = "";

  function load() {
    let kept = null;
    try {
      kept = localStorage.getItem(plan.key);
      state = { ...fresh(), ...keeper.read() };
    } catch (error) {
      if (kept === null) return; // not even reading is allowed: saving will say so
      localStorage.setItem(`${plan.key} damaged`, kept);
      loadWords = "What was saved on this device is damaged. It is kept aside, and the page starts anew.";
    }
  }

  function save() {
    try {
      canSave = keeper.write(state);
    } catch (error) {
      canSave = false;
    }
    setText(at("saved"), canSave ? "Saved on this device, after every click" : "Not saved");
    at("warning").hidden = canSave;
    setText(at("warning"), canSave ? "" : "This device does not let the page save. The clicks are lost when the page is closed or reloaded: export before that.");
  }

  // ---- what is looked at ------------------------------------------------------------------------------------------
  const keyOf = (weld, cut) => `${weld} ${cut}`;
  const here = () => keyOf(state.weld, state.cut);
  const section = () => state.sections[here()] || null;
  const reading = () => (section() ? section().readings[state.reading] : null);
  const joint = () => jointOf(section() ? section().joint : state.joint);
  const named = (key) => key.replace(/ (\d+)$/, ", cut $1");
  const newSection = () => ({ joint: state.joint, picture: null, word: "", readings: [readings.fresh(state.scale)] });

  // Every change goes through here: it can be undone, and it is saved at once.
  function change(words, act, typed = "") {
    if (!typed || typed !== typing) {
      state.past.push({ words, weld: state.weld, cut: state.cut, reading: state.reading, step: state.step, section: readings.copy(section()) });
      state.past = state.past.slice(-60);
    }
    typing = typed;
    act();
    save();
  }

  function undo() {
    const last = state.past.pop();
    if (!last) { say("Nothing to undo"); return; }
    typing = "";
    lastSpot = null;
    Object.assign(state, { weld: last.weld, cut: last.cut, reading: last.reading, step: last.step });
    if (last.section) state.sections[here()] = last.section;
    else delete state.sections[here()];
    save();
    showPicture();
    draw();
    say(`Undone: ${last.words}`);
  }

  // ---- the picture: its bytes are read for their SHA-256, and go nowhere ----------------------------------------------
  async function take(file) {
    if (!file) return;
    say(`Reading ${file.name}`);
    const image = new Image();
    image.src = URL.createObjectURL(file);
    let bytes;
    try {
      [bytes] = await Promise.all([file.arrayBuffer(), image.decode()]); // the browser turns it upright by its EXIF orientation
    } catch (error) {
      loadWords = `${file.name} cannot be shown by this browser (${error.name}). Save it as JPEG or PNG, and choose that.`;
      draw();
      return;
    } finally {
      URL.revokeObjectURL(image.src);
    }
    const picture = { name: file.name, hash: sha256(new Uint8Array(bytes)), width: image.naturalWidth, height: image.naturalHeight };
    const old = section();
    const isOther = old && old.picture && old.readings.some(readings.isBegun) && ["hash", "width", "height"].some((part) => old.picture[part] !== picture[part]);
    if (isOther) pending = { image, picture };
    else use(image, picture, false);
    draw();
  }

  function use(image, picture, isAnew) {
    loadWords = "";
    pending = null;
    change(`picture ${picture.name}`, () => {
      if (isAnew || !section()) { state.sections[here()] = newSection(); state.reading = 0; state.step = "scale"; }
      section().picture = picture;
    });
    pictures.set(here(), { image, hash: picture.hash });
    showPicture();
    say(`${picture.name}, ${picture.width} by ${picture.height} pixels`);
  }

  function showPicture() {
    const known = pictures.get(here());
    view.show(known && section() && section().picture && section().picture.hash === known.hash ? known.image : null);
  }

  const isShown = () => pictures.has(here()) && section() && section().picture && pictures.get(here()).hash === section().picture.hash;

  function pictureWords() {
    const now = section();
    if (loadWords) return [make("p", { class: "banner", text: loadWords })];
    if (pending) {
      return [make("div", { class: "banner" }, make("p", { text: `${pending.picture.name} is not the picture that was measured as ${named(here())} (${now.picture.name}), or is shown in another size here.` }),
        make("div", { class: "keys" }, key("anew", "Measure this section anew on it", () => { use(pending.image, pending.picture, true); draw(); }),
          key("leave", "Leave it", () => { pending = null; draw(); })))];
    }
    if (!now || !now.picture) return [make("p", { class: "hint", text: "No picture yet. You can also drop one anywhere on this page." })];
    const twin = Object.entries(state.sections).find(([other, { picture }]) => other !== here() && picture && picture.hash === now.picture.hash);
    return [make("p", { text: `${now.picture.name}, ${now.picture.width} × ${now.picture.height} pixels` }),
      make("p", { class: "hint", text: `SHA-256 ${now.picture.hash}` }),
      isShown() ? null : make("p", { class: "banner", text: `What was clicked is kept. Choose ${now.picture.name} again to see it or go on.` }),
      twin ? make("p", { class: "doubt", text: `The same picture was measured as ${named(twin[0])}. Is this the right one?` }) : null];
  }

  // ---- clicks -----------------------------------------------------------------------------------------------------
  const view = pictureView(at("picture"), {
    put(place, near) {
      if (!section() || !isShown()) return;
      const label = readings.steps(joint()).find(({ id }) => id === state.step).label;
      change(`a point of ${label}`, () => {
        const before = state.step;
        state.step = readings.put(reading(), joint(), before, place, near);
        const spots = readings.spots(reading()).filter(({ step }) => step === before);
        lastSpot = spots.find((spot) => spot.place === place) || null;
      });
      draw();
      say(at("step-words").textContent);
    },
    spots: () => (reading() && isShown() ? readings.spots(reading()) : []),
    grab(spot) { // before the point moves, so that undo gives it back its place
      change(`moved a point of ${spot.step}`, () => {});
    },
    moved(spot) { lastSpot = spot; save(); draw(); },
    undo, say: (words) => say(words),
    paint({ line, mark }) { if (reading() && isShown()) paintReading(line, mark); },
  });

  function nudge([dx, dy]) {
    if (!lastSpot) { say("No point was put yet"); return; }
    change("moved a point", () => {
      const [x, y] = lastSpot.holder[lastSpot.key];
      lastSpot.holder[lastSpot.key] = [x + dx * view.nudge(), y + dy * view.nudge()];
    }, "nudge");
    draw();
  }

  function paintReading(line, mark) {
    const { scale, points, undercut, pores } = reading();
    const isNow = (step) => ({ isNow: step === state.step });
    const sides = scale.kind === "thickness" ? scale.points.slice(0, 2) : scale.points;
    if (sides.length > 1) line(sides, { isClosed: sides.length === 4, ...isNow("scale") });
    scale.points.forEach((place, i) => mark(place, `${i + 1}`, state.step === "scale"));
    const { root, toeA, toeB, deepest } = points;
    if (toeA && toeB) line([toeA, toeB]);
    if (joint().formula === "fillet") [toeA, toeB, deepest].filter((end) => root && end).forEach((end) => line([root, end]));
    undercut.items.forEach((item) => { line(joint().formula === "fillet" && root ? [root, ...item] : item, isNow("undercut")); item.forEach((place) => mark(place, "", state.step === "undercut")); });
    pores.outlines.forEach((outline) => { line(outline.points, { isClosed: outline.closed, ...isNow("pores") }); outline.points.forEach((place) => mark(place, "", state.step === "pores")); });
    joint().points.forEach(({ id, letter }) => { if (points[id]) mark(points[id], letter, state.step === id); });
  }

  // ---- numbers ----------------------------------------------------------------------------------------------------
  const measuredOf = (one, kind) => readings.measured(one, kind, plan.mmPerUnit);
  function inUnit(mm, unit) { return String(Number((mm / plan.mmPerUnit[unit]).toPrecision(6))); }
  const places = (more) => (state.unit === "in" ? 4 : 2) + more;
  const shown = (mm, isCount = false, more = 0) => (isCount ? String(Number(mm.toFixed(1))) : (mm / plan.mmPerUnit[state.unit]).toFixed(places(more)));

  // What a section gives: each measure over its readings.
  function summary(one) {
    const kind = jointOf(one.joint);
    const each = one.readings.map((r) => measuredOf(r, kind).values);
    return Object.fromEntries(kind.measures.map((measure) => [measure, geometry.repeated(each.map((values) => values[measure]).filter((value) => value !== undefined && Number.isFinite(value)))]));
  }

  function drawReadings() {
    const one = section();
    if (!one) return [make("p", { class: "hint", text: "Nothing is measured on this section yet." })];
    const kind = joint();
    const results = one.readings.map((r) => measuredOf(r, kind));
    const isBlind = one.readings.length > 1 && !readings.isComplete(reading(), kind);
    const all = summary(one);
    const cell = (i, measure) => {
      if (isBlind && i !== state.reading) return "hidden";
      const value = results[i].values[measure];
      return value === undefined || !Number.isFinite(value) ? "" : shown(value, measure === "pores");
    };
    const row = (measure) => make("tr", {}, make("th", { scope: "row", text: plan.labels[measure] }), ...one.readings.map((_, i) => make("td", { text: cell(i, measure) })),
      make("td", { class: "mean", text: all[measure].n && !isBlind ? shown(all[measure].mean, measure === "pores") : "" }),
      one.readings.length > 1 ? make("td", { text: all[measure].sd === null || isBlind ? "" : shown(all[measure].sd, measure === "pores", 1) }) : null);
    const head = make("tr", {}, make("th", { scope: "col", text: `in ${state.unit}` }), ...one.readings.map((_, i) => make("th", { scope: "col", "aria-label": `reading ${i + 1}`, text: `${i + 1}` })),
      make("th", { scope: "col", class: "mean", text: "mean" }), one.readings.length > 1 ? make("th", { scope: "col", "aria-label": "standard deviation of a reading", text: "±" }) : null);
    const now = results[state.reading];
    return [
      make("div", { class: "keys", role: "group", "aria-label": "reading" }, ...one.readings.map((_, i) => key(`reading-${i}`, `Reading ${i + 1}`, () => goReading(i), { "aria-pressed": String(i === state.reading) })),
        one.readings.length < MOST_READINGS ? key("read-again", "Read it again, from the scale on", readAgain, { "aria-disabled": String(!one.readings.every((r) => readings.isComplete(r, kind))) }) : null),
      make("div", { class: "scroll" }, make("table", { id: "table" }, make("caption", { text: `${named(here())}: ${kind.label}, each reading and their mean` }), make("thead", {}, head), make("tbody", {}, ...kind.measures.map(row)))),
      ...(isBlind ? [make("p", { class: "hint", text: "Earlier readings are hidden till this one is done, so that it does not lean on them." })] : []),
      ...now.doubts.map((words) => make("p", { class: "doubt", text: words })),
      ...doubtsOf(now), repeatWords(),
      wordKeys(one), unitKeys("unit", "shown in", state.unit, (unit) => { state.unit = unit; save(); draw(); }),
    ].filter(Boolean);
  }

  function doubtsOf({ values, pixel }) {
    const found = [];
    if (Number.isFinite(pixel)) found.push(["hint", `One pixel of the picture is ${Number((pixel / plan.mmPerUnit[state.unit]).toPrecision(2))} ${state.unit} here.`]);
    if (pixel > 0.05) found.push(["doubt", "That is coarse: come closer, or fill the picture with the section."]);
    if (values.penetration < 0) found.push(["doubt", "Below 0: fusion stops short of the root. Is the root where the plates met before welding?"]);
    if (plan.thickness_mm && values.penetration > plan.thickness_mm) found.push(["doubt", `More than the plate is thick (${shown(plan.thickness_mm)} ${state.unit}): is the scale right, or is it burnt through?`]);
    return found.map(([kind, words]) => make("p", { class: kind, text: words }));
  }

  // How well readings repeat, over every section that was read more than once.
  function repeatWords() {
    const groups = Object.values(state.sections).map((one) => summary(one).penetration).filter(({ n }) => n > 1);
    const { df, sd } = geometry.pooled(groups);
    if (sd === null || (section().readings.length > 1 && !readings.isComplete(reading(), joint()))) return null;
    const of = groups.length === 1 ? "1 section" : `${groups.length} sections`;
    return make("p", { id: "repeat", text: `Your readings of root penetration repeat to ± ${shown(sd, false, 1)} ${state.unit}: one standard deviation of a reading, from ${df + groups.length} readings of ${of}. `
      + (df < 6 ? "So few readings tell it roughly; read more sections three times." : "A mean of three repeats better, by √3.") });
  }

  function wordKeys(one) {
    const words = [["", "as clicked"], ["?", "unreadable"], ...(plan.responses.some((response) => response.full) ? [["burn-through", "burnt through"]] : [])];
    return make("div", { class: "field" }, make("p", { class: "label", id: "word-label", text: "root penetration of this section is" }),
      make("div", { class: "keys", role: "group", "aria-labelledby": "word-label" }, ...words.map(([word, label]) => key(`word-${label.replace(" ", "-")}`, label,
        () => { change(`root penetration ${label}`, () => { one.word = word; }); draw(); }, { "aria-pressed": String(one.word === word) }))));
  }

  function unitKeys(id, label, now, act) {
    return make("div", { class: "field" }, make("p", { class: "label", id: `${id}-label`, text: label }),
      make("div", { class: "keys", role: "group", "aria-labelledby": `${id}-label` }, ...Object.keys(plan.mmPerUnit).map((unit) => key(`${id}-${unit}`, unit, () => act(unit), { class: "unit", "aria-pressed": String(unit === now) }))));
  }

  function goReading(i) {
    state.reading = i;
    state.step = readings.isComplete(reading(), joint()) ? "pores" : readings.steps(joint()).find(({ id }) => !readings.isDone(reading(), joint(), id)).id;
    lastSpot = null;
    save();
    draw();
  }

  function readAgain() {
    if (!section().readings.every((r) => readings.isComplete(r, joint()))) { say("Finish this reading first: scale, and every point of the weld."); return; }
    change("another reading", () => {
      section().readings.push(readings.fresh(reading().scale));
      state.reading = section().readings.length - 1;
      state.step = "scale";
    });
    lastSpot = null;
    view.fit();
    draw();
    say(`Reading ${state.reading + 1}: click the scale anew`);
  }

  // ---- the table --------------------------------------------------------------------------------------------------
  // Decimals so that rounding is small against a pixel; never three, which could be read as a comma of thousands.
  function decimals(mm) {
    const places = Math.max(0, Math.ceil(Math.log10(mm / 0.01)));
    return places === 3 ? 4 : places;
  }

  function cellsOf(weld, cut) {
    const one = state.sections[keyOf(weld, cut)];
    const cells = new Map();
    if (!one) return cells;
    const found = summary(one);
    const isMeasured = Object.values(found).some(({ n }) => n) || one.word;
    if (!isMeasured) return cells;
    const own = (name, words) => { if (words !== "" && words !== null) cells.set(plan.own[name][cut - 1], words); };
    const mm = plan.mmPerUnit[plan.unit];
    plan.responses.forEach((response) => {
      const measure = state.goes[response.name];
      const value = measure && found[measure] && found[measure].n ? (found[measure].mean / response.mm).toFixed(decimals(response.mm)) : "";
      const isWord = measure === "penetration" && one.word;
      if (isWord || value) cells.set(response.headings[cut - 1], isWord ? one.word : value);
    });
    Object.entries(found).forEach(([measure, { n, mean }]) => own(measure, n ? (measure === "pores" ? String(Math.round(mean)) : (mean / mm).toFixed(decimals(mm))) : ""));
    own("joint", jointOf(one.joint).label);
    own("readings", String(one.readings.filter((r) => readings.isComplete(r, jointOf(one.joint))).length));
    own("spread", found.penetration.sd === null ? "" : (found.penetration.sd / mm).toFixed(decimals(mm) + 1));
    own("picture", one.picture ? one.picture.name : "");
    own("hash", one.picture ? one.picture.hash : "");
    own("reader", state.reader.trim());
    own("etchant", state.etchant.trim());
    return cells;
  }

  function csv() {
    const cuts = Array.from({ length: plan.cuts }, (_, i) => i + 1);
    const rows = plan.welds.map((weld) => [weld, new Map(cuts.flatMap((cut) => [...cellsOf(weld, cut)]))]).filter(([, cells]) => cells.size);
    const known = [...plan.responses.flatMap(({ headings }) => headings), ...cuts.flatMap((cut) => Object.values(plan.own).map((headings) => headings[cut - 1]))];
    const used = known.filter((heading) => rows.some(([, cells]) => cells.has(heading)));
    return parts.csv(plan.comments, [["weld", ...used], ...rows.map(([weld, cells]) => [weld, ...used.map((heading) => parts.safe(cells.get(heading) || ""))])]);
  }

  function drawExport() {
    const tell = (words) => setText(at("exported"), words);
    const names = Object.keys(state.sections).filter((name) => Object.values(summary(state.sections[name])).some(({ n }) => n) || state.sections[name].word);
    const area = make("textarea", { id: "as-text", readonly: true, rows: 6, "aria-label": "the table as text" });
    area.value = csv();
    return [
      make("p", { id: "measured", text: names.length ? `Measured: ${names.map(named).join("; ")}.` : "No section is measured yet." }),
      make("p", { text: `Then, on the computer: weldwindow take ${plan.file} FOLDER (the study’s folder).` }),
      make("div", { class: "keys" }, key("download", "Download the table", () => tell(parts.download(plan.file, csv())), { class: "main" }),
        parts.mayShare(plan.file, csv()) ? key("share", "Share the table", () => parts.share(plan.file, csv()).then(tell)) : null),
      make("p", { id: "exported", role: "status" }),
      make("details", {}, make("summary", { text: "As text, to copy" }), area),
    ];
  }

  // ---- drawing ----------------------------------------------------------------------------------------------------
  function say(words) { setText(at("said"), ""); setText(at("said"), words); }
  const key = (id, label, act, props = {}) => make("button", { type: "button", id, text: label, act, ...props });

  function field(id, label, value, act, props = {}) {
    const box = make("input", { id, type: "text", autocomplete: "off", ...props });
    box.value = value;
    box.addEventListener("input", () => { act(box.value); });
    return make("div", { class: "field" }, make("label", { for: id, text: label }), box);
  }

  const SCALES = [["length", "two points"], ["thickness", "plate thickness"], ["corners", "four corners"]];
  const SCALE_WORDS = {
    length: "Two points of known distance, far apart, in the plane of the section.",
    thickness: "Two points on one face of the plate, far apart; then one on the other face.",
    corners: "The four corners of a rectangle of known size, one after the other going round; the first side is the one from corner 1 to corner 2. This takes out the skew of a camera that was not square on.",
  };

  function drawSteps() {
    const now = reading();
    return readings.steps(joint()).map(({ id, label }) => key(`step-${id}`, now && readings.isDone(now, joint(), id) ? `✓ ${label}` : label,
      () => { state.step = id; save(); draw(); }, { "aria-current": state.step === id ? "step" : null }));
  }

  function stepWords() {
    const point = joint().points.find(({ id }) => id === state.step);
    const kind = reading() ? reading().scale.kind : state.scale.kind;
    if (point) return `${point.letter}, ${point.label}. ${point.where}`;
    if (state.step === "scale") return `${reading() ? `${reading().scale.points.length % readings.NEEDED[kind]} of ${readings.NEEDED[kind]} clicked. ` : ""}${SCALE_WORDS[kind]}`;
    if (state.step === "undercut") return `For each undercut: ${joint().surface}, then the bottom of the groove. The deepest counts.`;
    return "Each pore: points round its outline, or the two ends of its greatest width; then close it.";
  }

  function drawStepKeys() {
    const now = reading();
    if (!now) return [];
    if (state.step === "scale") return scaleKeys(now);
    const set = (words, act) => () => { change(words, act); draw(); };
    if (state.step === "undercut") {
      return [make("div", { class: "keys" }, key("no-undercut", "No undercut", set("no undercut", () => { now.undercut = { none: true, items: [] }; state.step = "pores"; }), { "aria-pressed": String(now.undercut.none) }),
        key("next-step", "Next: pores", () => { state.step = "pores"; save(); draw(); }))];
    }
    if (state.step === "pores") {
      return [make("div", { class: "keys" }, key("close-pore", "Close this pore", set("closed a pore", () => { if (!readings.closePore(now)) say("A pore needs two points or more."); })),
        key("no-pores", "No pores", set("no pores", () => { now.pores = { none: true, outlines: [] }; }), { "aria-pressed": String(now.pores.none) }))];
    }
    return [];
  }

  function scaleKeys(now) {
    const { scale } = now;
    const keep = () => { const { points, ...rest } = scale; state.scale = rest; };
    const typed = (name) => (words) => {
      change("known size", () => { scale[`${name}Text`] = words; scale[name] = asNumber(words); keep(); }, name);
      redrawNumbers();
    };
    const text = (name) => (scale[`${name}Text`] !== undefined ? scale[`${name}Text`] : scale[name] || "");
    const label = { length: "known distance", thickness: "plate thickness", corners: "from corner 1 to corner 2" }[scale.kind];
    const kinds = SCALES.map(([kind, words]) => key(`scale-${kind}`, words, () => {
      change(`scale by ${words}`, () => { Object.assign(scale, { kind, points: [] }); keep(); });
      draw();
    }, { "aria-pressed": String(kind === scale.kind) }));
    const sizes = [field("known", label, text("known"), typed("known"), { inputmode: "decimal" }),
      scale.kind === "corners" ? field("second", "from corner 2 to corner 3", text("second"), typed("second"), { inputmode: "decimal" }) : null,
      unitKeys("scale-unit", "in", scale.unit, (unit) => { change("unit of the scale", () => { scale.unit = unit; keep(); }); draw(); })];
    return [make("div", { class: "keys", role: "group", "aria-label": "scale from" }, ...kinds), make("div", { class: "pair" }, ...sizes.filter(Boolean))];
  }

  function drawMore() {
    const choices = (response) => [["", "not from this page"], ...Object.entries(plan.labels).filter(([measure]) => measure !== "pores")].map(([measure, label]) => {
      const option = make("option", { value: measure, text: label });
      option.selected = state.goes[response.name] === measure;
      return option;
    });
    const goes = plan.responses.map((response, i) => {
      const box = make("select", { id: `goes-${i}` }, ...choices(response));
      box.addEventListener("change", () => { state.goes[response.name] = box.value; save(); redrawNumbers(); });
      return make("div", { class: "field" }, make("label", { for: `goes-${i}`, text: `${response.headings[0]} is the` }), box);
    });
    const once = (name) => (words) => { state[name] = words; save(); redrawNumbers(); };
    return [...goes, field("reader", "read by (may stay blank)", state.reader, once("reader")),
      field("etchant", "etchant used (may stay blank)", state.etchant, once("etchant")), parts.lookKeys()];
  }

  function fill(id, nodes) { at(id).replaceChildren(...nodes.filter((node) => node !== null)); }
  function redrawNumbers() { fill("readings", drawReadings()); fill("export", drawExport()); view.draw(); }

  function draw() {
    const focus = document.activeElement ? document.activeElement.id : "";
    const top = at("picture").getBoundingClientRect().top;
    at("weld").value = state.weld;
    at("cut").value = String(state.cut);
    at("joint").value = joint().id;
    fill("picture-words", pictureWords());
    fill("steps", drawSteps());
    setText(at("step-words"), stepWords());
    fill("step-keys", drawStepKeys());
    for (const figure of document.querySelectorAll(".figure")) figure.toggleAttribute("hidden", figure.dataset.joint !== joint().id);
    for (const words of document.querySelectorAll(".defined")) words.hidden = words.dataset.joint !== joint().id;
    for (const spot of document.querySelectorAll("[data-point]")) spot.classList.toggle("now", spot.dataset.point === state.step);
    const last = state.past[state.past.length - 1];
    at("undo").setAttribute("aria-label", last ? `Undo: ${last.words}` : "Undo: nothing to undo");
    at("undo").setAttribute("aria-disabled", String(!last));
    redrawNumbers();
    window.scrollBy(0, at("picture").getBoundingClientRect().top - top); // the picture stays under the finger
    if (focus && at(focus) && document.activeElement !== at(focus)) at(focus).focus({ preventScroll: true });
  }

  function go(act) {
    act();
    state.reading = section() ? section().readings.length - 1 : 0;
    state.step = section() ? state.step : "scale";
    pending = null;
    lastSpot = null;
    loadWords = "";
    typing = "";
    if (section()) goReading(state.reading);
    save();
    showPicture();
    draw();
  }

  function setJoint(id) {
    if (!section()) { state.joint = id; save(); draw(); return; }
    change(`joint: ${jointOf(id).label}`, () => {
      state.joint = id;
      section().joint = id;
      // Points of one joint mean nothing in another; scale and pores stay.
      section().readings.forEach((r) => { r.points = {}; r.undercut = { none: false, items: [] }; });
      state.step = readings.isDone(reading(), joint(), "scale") ? joint().points[0].id : "scale";
    });
    draw();
  }

  load();
  at("without-script").hidden = true;
  at("bench").hidden = false;
  fill("weld", plan.welds.map((weld) => make("option", { value: weld, text: weld })));
  fill("cut", Array.from({ length: plan.cuts }, (_, i) => make("option", { value: String(i + 1), text: String(i + 1) })));
  fill("more", drawMore());
  at("weld").addEventListener("change", (event) => go(() => { state.weld = event.target.value; state.cut = 1; }));
  at("cut").addEventListener("change", (event) => go(() => { state.cut = Number(event.target.value); }));
  at("joint").addEventListener("change", (event) => setJoint(event.target.value));
  for (const id of ["file", "camera"]) at(id).addEventListener("change", (event) => { take(event.target.files[0]); event.target.value = ""; });
  at("camera-field").hidden = !window.matchMedia("(pointer: coarse)").matches; // a desk has no camera to point at steel
  document.addEventListener("dragover", (event) => { event.preventDefault(); at("which").classList.add("over"); });
  document.addEventListener("dragleave", () => at("which").classList.remove("over"));
  document.addEventListener("drop", (event) => { event.preventDefault(); at("which").classList.remove("over"); take(event.dataTransfer.files[0]); });
  at("undo").addEventListener("click", undo);
  at("nearer").addEventListener("click", () => view.zoomBy(1.5));
  at("farther").addEventListener("click", () => view.zoomBy(1 / 1.5));
  at("whole").addEventListener("click", view.fit);
  for (const node of document.querySelectorAll("[data-nudge]")) node.addEventListener("click", () => nudge(node.dataset.nudge.split(" ").map(Number)));
  window.addEventListener("storage", (event) => { if (event.key === plan.key && event.newValue) { load(); showPicture(); draw(); } });
  window.addEventListener("beforeunload", (event) => { if (!canSave && Object.keys(state.sections).length) event.preventDefault(); });
  save();
  draw();
})();
