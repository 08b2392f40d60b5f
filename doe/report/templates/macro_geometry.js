"use strict";
// The geometry of a section. Pure functions of numbers; a point is [x, y]; nothing here knows the page.
// doe/report/macro_measures.py says in words what is worked out here; tests/browser/test_macro_geometry.py checks each
// formula by another route.
const geometry = (() => {
  const minus = (p, q) => [p[0] - q[0], p[1] - q[1]];
  const dot = (u, v) => u[0] * v[0] + u[1] * v[1];
  const cross = (u, v) => u[0] * v[1] - u[1] * v[0];
  const distance = (p, q) => Math.hypot(p[0] - q[0], p[1] - q[1]);
  const unit = (u) => [u[0] / Math.hypot(u[0], u[1]), u[1] / Math.hypot(u[0], u[1])];
  const middle = (p, q) => [(p[0] + q[0]) / 2, (p[1] + q[1]) / 2];

  // Distance of p from the line through a and b, with a sign that tells the side: (b - a) x (p - a) / |b - a|.
  const offLine = (p, a, b) => cross(minus(b, a), minus(p, a)) / distance(a, b);

  // ---- from the picture to the plane of the section --------------------------------------------------------------
  // A map is a 3 x 3 matrix, row by row, that takes a place in the picture (pixels) to one in the section (mm):
  //   X = (m0 x + m1 y + m2) / w,   Y = (m3 x + m4 y + m5) / w,   w = m6 x + m7 y + m8.
  const byScale = (scale) => [scale, 0, 0, 0, scale, 0, 0, 0, 1];

  // Two points of known distance: mm a pixel = known / |pq|.
  const mapOfLength = ([p, q], known) => byScale(known / distance(p, q));

  // Plate thickness: two points a, b on one face, one point p on the other; known / (distance of p from the line ab).
  const mapOfThickness = ([a, b, p], known) => byScale(known / Math.abs(offLine(p, a, b)));

  // Four corners of a rectangle, going round, the first side `width` long, the second `height`. The map from the unit
  // square to the corners c0 ... c3 is known in closed form (P. S. Heckbert, Fundamentals of Texture Mapping and Image
  // Warping, master's thesis, University of California, Berkeley, 1989, section 2.2.3):
  //   g = (s x d2) / (d1 x d2),  h = (d1 x s) / (d1 x d2)  with  d1 = c1 - c2, d2 = c3 - c2, s = c0 - c1 + c2 - c3;
  // its inverse, stretched to width and height, is the map sought.
  function mapOfCorners([c0, c1, c2, c3], width, height) {
    const d1 = minus(c1, c2);
    const d2 = minus(c3, c2);
    const s = [c0[0] - c1[0] + c2[0] - c3[0], c0[1] - c1[1] + c2[1] - c3[1]];
    const g = cross(s, d2) / cross(d1, d2);
    const h = cross(d1, s) / cross(d1, d2);
    const [n0, n1, n2, n3, n4, n5, n6, n7, n8] = inverse([
      c1[0] - c0[0] + g * c1[0], c3[0] - c0[0] + h * c3[0], c0[0],
      c1[1] - c0[1] + g * c1[1], c3[1] - c0[1] + h * c3[1], c0[1],
      g, h, 1]);
    const sign = Math.sign(n6 * c0[0] + n7 * c0[1] + n8); // w above 0 on the side of the horizon where the corners are
    return [width * n0, width * n1, width * n2, height * n3, height * n4, height * n5, n6, n7, n8].map((part) => sign * part);
  }

  // Whether four corners, in the order given, go round a convex figure: every turn is to the same side.
  function isConvex(corners) {
    const turns = corners.map((corner, i) => cross(minus(corners[(i + 1) % 4], corner), minus(corners[(i + 2) % 4], corners[(i + 1) % 4])));
    return turns.every((turn) => turn > 1e-9) || turns.every((turn) => turn < -1e-9);
  }

  function inverse([a, b, c, d, e, f, g, h, i]) {
    const parts = [e * i - f * h, c * h - b * i, b * f - c * e, f * g - d * i, a * i - c * g, c * d - a * f, d * h - e * g, b * g - a * h, a * e - b * d];
    const determinant = a * parts[0] + b * parts[3] + c * parts[6];
    return parts.map((part) => part / determinant);
  }

  // Where a place in the picture lies in the section; null at and beyond the horizon of the section's plane.
  function toSection(map, [x, y]) {
    const w = map[6] * x + map[7] * y + map[8];
    return w > 0 ? [(map[0] * x + map[1] * y + map[2]) / w, (map[3] * x + map[4] * y + map[5]) / w] : null;
  }

  // ---- what is measured -----------------------------------------------------------------------------------------
  // Fillet in a T or lap joint. Legs: root to toe. Throat: distance of the root from the line between the toes, or of the
  // face from the root where the face is hollow. Penetration: how far the deepest fusion lies past the root along the
  // line that halves the angle between the plates; below 0 where fusion stops short of the root.
  function fillet({ root, toeA, toeB, face, deepest }) {
    const found = {};
    if (root && toeA) found.legA = distance(root, toeA);
    if (root && toeB) found.legB = distance(root, toeB);
    if (!root || !toeA || !toeB) return found;
    found.shorterLeg = Math.min(found.legA, found.legB);
    const a = unit(minus(toeA, root));
    const b = unit(minus(toeB, root));
    const outward = unit([a[0] + b[0], a[1] + b[1]]);
    if (face) found.throat = Math.min(Math.abs(offLine(root, toeA, toeB)), distance(root, face));
    if (deepest) found.penetration = -dot(minus(deepest, root), outward);
    return found;
  }

  // Depths below the line between the toes, counted towards the deepest fusion.
  function below(line, towards) {
    const sign = Math.sign(offLine(towards, ...line)) || 1;
    return (point) => sign * offLine(point, ...line);
  }

  // Butt joint. Penetration: deepest fusion past the root, square to the line between the toes. Throat: deepest fusion below
  // that line, without what stands over it. Height: top of the face over it (below 0 where the face is hollow).
  function butt({ root, toeA, toeB, face, deepest }) {
    const found = {};
    if (!toeA || !toeB) return found;
    found.width = distance(toeA, toeB);
    if (!deepest) return found;
    const depth = below([toeA, toeB], deepest);
    found.throat = depth(deepest);
    if (root) found.penetration = depth(deepest) - depth(root);
    if (face) found.height = -depth(face);
    return found;
  }

  // Bead on plate. Penetration: deepest fusion below the line between the toes.
  function bead(points) {
    const { throat, ...found } = butt(points);
    return throat === undefined ? found : { ...found, penetration: throat };
  }

  // Undercut: how far the bottom of the groove lies below the line a b of the sound surface; `air` is a point on the side
  // of that line where there is no plate.
  const undercut = (a, b, bottom, air) => -Math.sign(offLine(air, a, b)) * offLine(bottom, a, b);

  // A pore's diameter: the greatest distance between two points of its outline.
  function diameter(outline) {
    let greatest = 0;
    outline.forEach((p, i) => outline.slice(i + 1).forEach((q) => { greatest = Math.max(greatest, distance(p, q)); }));
    return greatest;
  }

  // Number, mean and standard deviation (n - 1) of readings of the same thing; null where one reading tells nothing of it.
  function repeated(values) {
    const n = values.length;
    const mean = values.reduce((sum, value) => sum + value, 0) / n;
    const squares = values.reduce((sum, value) => sum + (value - mean) ** 2, 0);
    return { n, mean: n ? mean : null, sd: n > 1 ? Math.sqrt(squares / (n - 1)) : null };
  }

  // The standard deviation of a reading from several sections: squares added up, each about its own section's mean.
  function pooled(groups) {
    const squares = groups.reduce((sum, group) => sum + (group.n > 1 ? (group.n - 1) * group.sd ** 2 : 0), 0);
    const df = groups.reduce((sum, group) => sum + Math.max(0, group.n - 1), 0);
    return { df, sd: df ? Math.sqrt(squares / df) : null };
  }

  return { distance, middle, offLine, mapOfLength, mapOfThickness, mapOfCorners, isConvex, inverse, toSection,
    fillet, butt, bead, undercut, diameter, repeated, pooled };
})();
