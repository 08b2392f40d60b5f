"use strict";
// One reading of a section: what is clicked, in which order, and what follows from it. Plain values in and out; nothing here
// knows the page.
//   reading = { scale: { kind, known, second, unit, points }, points: { root: [x, y], ... },
//               undercut: { none, items: [[[x, y], ...], ...] }, pores: { none, outlines: [{ points, closed }] } }
// All places are in pixels of the picture as it is shown, turned upright.
const readings = (() => {
  const NEEDED = { length: 2, thickness: 3, corners: 4 };
  const copy = (value) => JSON.parse(JSON.stringify(value));

  const fresh = (scale) => ({ scale: { ...scale, points: [] }, points: {}, undercut: { none: false, items: [] }, pores: { none: false, outlines: [] } });

  const perItem = (joint) => (joint.formula === "fillet" ? 2 : 3);

  // ---- the steps --------------------------------------------------------------------------------------------------
  function steps(joint) {
    return [{ id: "scale", label: "scale" }, ...joint.points.map(({ id, label }) => ({ id, label })), { id: "undercut", label: "undercut" }, { id: "pores", label: "pores" }];
  }

  function isDone(reading, joint, id) {
    if (id === "scale") return reading.scale.points.length === NEEDED[reading.scale.kind];
    if (id === "undercut") return reading.undercut.none || reading.undercut.items.some((item) => item.length === perItem(joint));
    if (id === "pores") return reading.pores.none || reading.pores.outlines.some((outline) => outline.closed);
    return Boolean(reading.points[id]);
  }

  const firstOpen = (reading, joint) => (steps(joint).find(({ id }) => !isDone(reading, joint, id)) || { id: "pores" }).id;
  const isComplete = (reading, joint) => joint.points.every(({ id }) => reading.points[id]) && isDone(reading, joint, "scale");
  const isBegun = (reading) => spots(reading).length > 0;

  // Put a point where the step wants it; gives the step that comes next.
  function put(reading, joint, id, place, near) {
    if (id === "scale") return putScale(reading, joint, place);
    if (id === "undercut") return putUndercut(reading, joint, place);
    if (id === "pores") return putPore(reading, place, near);
    reading.points[id] = place;
    return firstOpen(reading, joint);
  }

  function putScale(reading, joint, place) {
    const { scale } = reading;
    if (scale.points.length >= NEEDED[scale.kind]) scale.points = [];
    scale.points.push(place);
    return scale.points.length === NEEDED[scale.kind] ? firstOpen(reading, joint) : "scale";
  }

  function putUndercut({ undercut }, joint, place) {
    const last = undercut.items[undercut.items.length - 1];
    if (last && last.length < perItem(joint)) last.push(place);
    else undercut.items.push([place]);
    undercut.none = false;
    return "undercut";
  }

  // A click near the first point of an outline closes it.
  function putPore({ pores }, place, near) {
    const last = pores.outlines[pores.outlines.length - 1];
    pores.none = false;
    if (!last || last.closed) pores.outlines.push({ points: [place], closed: false });
    else if (last.points.length > 2 && geometry.distance(last.points[0], place) <= near) last.closed = true;
    else last.points.push(place);
    return "pores";
  }

  function closePore({ pores }) {
    const last = pores.outlines[pores.outlines.length - 1];
    if (!last || last.closed || last.points.length < 2) return false;
    last.closed = true;
    return true;
  }

  // Every point that is there, with the place it can be moved in.
  function spots(reading) {
    const of = (step, list) => list.map((place, i) => ({ step, holder: list, key: i, place }));
    return [
      ...of("scale", reading.scale.points),
      ...Object.entries(reading.points).map(([id, place]) => ({ step: id, holder: reading.points, key: id, place })),
      ...reading.undercut.items.flatMap((item) => of("undercut", item)),
      ...reading.pores.outlines.flatMap((outline) => of("pores", outline.points)),
    ];
  }

  // ---- the scale --------------------------------------------------------------------------------------------------
  // The map from the picture to millimetres, or why there is none.
  function mapOf(scale, mmPerUnit) {
    const known = scale.known * mmPerUnit[scale.unit];
    const second = scale.second * mmPerUnit[scale.unit];
    if (scale.points.length < NEEDED[scale.kind]) return { fault: "" };
    if (!(known > 0) || (scale.kind === "corners" && !(second > 0))) return { fault: "Type the known size: a number above 0." };
    if (scale.kind === "corners") {
      if (!geometry.isConvex(scale.points)) return { fault: "The four corners do not go round a rectangle: click them in turn, one after the other." };
      return { map: geometry.mapOfCorners(scale.points, known, second), width: known, height: second };
    }
    const map = scale.kind === "length" ? geometry.mapOfLength(scale.points, known) : geometry.mapOfThickness(scale.points, known);
    return map.every(Number.isFinite) ? { map } : { fault: "These points are too near to each other to give a scale." };
  }

  // Millimetres a picture pixel is long, about a place: the root of the area that a pixel covers.
  function pixel(map, [x, y]) {
    const [p, q, r] = [[x, y], [x + 1, y], [x, y + 1]].map((place) => geometry.toSection(map, place));
    if (!p || !q || !r) return NaN;
    return Math.sqrt(Math.abs((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])));
  }

  // ---- what a reading gives: lengths in mm -------------------------------------------------------------------------
  function measured(reading, joint, mmPerUnit) {
    const { map, fault, width, height } = mapOf(reading.scale, mmPerUnit);
    if (!map) return { values: {}, doubts: fault ? [fault] : [], pixel: NaN };
    const doubts = [];
    const all = spots(reading).map(({ place }) => place);
    if (all.some((place) => !geometry.toSection(map, place))) {
      return { values: {}, doubts: ["A point lies beyond the horizon of the rectangle: click the four corners again."], pixel: NaN };
    }
    const at = (place) => geometry.toSection(map, place);
    const points = Object.fromEntries(Object.entries(reading.points).map(([id, place]) => [id, at(place)]));
    const values = { ...geometry[joint.formula](points), ...undercutOf(reading, joint, points, at), ...poresOf(reading, at) };
    if (width && Object.values(points).some(([x, y]) => x < -width / 4 || x > 1.25 * width || y < -height / 4 || y > 1.25 * height)) {
      doubts.push("A point lies far outside the rectangle of the four corners: the skew is less sure there.");
    }
    if (values.undercut < 0) doubts.push("The bottom of the undercut lies above the surface: click it again.");
    const [x, y] = reading.points.root || reading.points.deepest || all[0];
    return { values, doubts, pixel: pixel(map, [x, y]) };
  }

  function undercutOf({ undercut }, joint, points, at) {
    if (undercut.none) return { undercut: 0 };
    const { root, toeA, toeB, deepest } = points;
    const isFillet = joint.formula === "fillet";
    if (isFillet ? !root || !toeA || !toeB : !deepest) return {};
    const depths = undercut.items.filter((item) => item.length === perItem(joint)).map((item) => {
      const [a, b, bottom] = isFillet ? [root, ...item.map(at)] : item.map(at);
      // Air is between the toes of a fillet, and opposite to the deepest fusion of a butt weld or a bead.
      const air = isFillet ? geometry.middle(toeA, toeB) : [a[0] + b[0] - deepest[0], a[1] + b[1] - deepest[1]];
      return geometry.undercut(a, b, bottom, air);
    });
    return depths.length ? { undercut: Math.max(...depths) } : {};
  }

  function poresOf({ pores }, at) {
    if (pores.none) return { pores: 0, poreSum: 0, poreLargest: 0 };
    const diameters = pores.outlines.filter((outline) => outline.closed).map((outline) => geometry.diameter(outline.points.map(at)));
    if (!diameters.length) return {};
    return { pores: diameters.length, poreSum: diameters.reduce((sum, d) => sum + d, 0), poreLargest: Math.max(...diameters) };
  }

  return { NEEDED, copy, fresh, perItem, steps, isDone, isComplete, isBegun, put, closePore, spots, mapOf, measured };
})();
