"use strict";
// The picture with what was clicked on it: zoom, pan, taps, dragging a point, the cross-hair for the keyboard. It knows places
// in the picture and on the screen, and nothing of welds.
const pictureView = (canvas, tell) => {
  const context = canvas.getContext("2d");
  const reduce = (value, low, high) => Math.min(high, Math.max(low, value));
  let image = null;
  let view = { zoom: 1, x: 0, y: 0 }; // screen pixels a picture pixel; the picture's place in the upper left corner
  let cross = null; // the keyboard's cross-hair, in the picture
  let held = null; // a point being dragged: { holder, key, moved }
  const fingers = new Map();
  let tap = null;

  const size = () => [canvas.clientWidth, canvas.clientHeight];
  const toScreen = ([x, y]) => [(x - view.x) * view.zoom, (y - view.y) * view.zoom];
  const toPicture = ([x, y]) => [view.x + x / view.zoom, view.y + y / view.zoom];
  const isInside = ([x, y]) => image && x >= 0 && y >= 0 && x <= image.naturalWidth && y <= image.naturalHeight;

  function placeOf(event) {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left - canvas.clientLeft, event.clientY - box.top - canvas.clientTop];
  }

  // ---- zoom and pan -----------------------------------------------------------------------------------------------
  const fitZoom = () => Math.min(size()[0] / image.naturalWidth, size()[1] / image.naturalHeight);

  function fit() {
    if (!image) return;
    const zoom = fitZoom();
    view = { zoom, x: (image.naturalWidth - size()[0] / zoom) / 2, y: (image.naturalHeight - size()[1] / zoom) / 2 };
    draw();
  }

  function zoomBy(factor, about = size().map((length) => length / 2)) {
    if (!image) return;
    const [x, y] = toPicture(about);
    const zoom = reduce(view.zoom * factor, fitZoom() / 2, 16);
    view = { zoom, x: x - about[0] / zoom, y: y - about[1] / zoom };
    keepInSight();
    draw();
  }

  function panBy(dx, dy) {
    view = { ...view, x: view.x - dx / view.zoom, y: view.y - dy / view.zoom };
    keepInSight();
    draw();
  }

  // Some of the picture always stays in the middle half of the screen.
  function keepInSight() {
    const [width, height] = size().map((length) => length / view.zoom);
    view.x = reduce(view.x, -width * 0.75, image.naturalWidth - width * 0.25);
    view.y = reduce(view.y, -height * 0.75, image.naturalHeight - height * 0.25);
  }

  // ---- mouse, pen and fingers ---------------------------------------------------------------------------------------
  canvas.addEventListener("pointerdown", (event) => {
    if (!image || event.button !== 0) return;
    canvas.focus({ preventScroll: true });
    canvas.setPointerCapture(event.pointerId);
    cross = null;
    fingers.set(event.pointerId, placeOf(event));
    if (fingers.size > 1) { letGo(); tap = null; return; }
    tap = { from: placeOf(event), isMoved: false };
    held = nearestSpot(placeOf(event), event.pointerType === "mouse" ? 9 : 22);
    draw();
  });

  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = placeOf(event);
    fingers.set(event.pointerId, now);
    if (fingers.size === 2) { pinch(event.pointerId, before, now); return; }
    if (!tap) return;
    if (!tap.isMoved && Math.hypot(now[0] - tap.from[0], now[1] - tap.from[1]) < (event.pointerType === "mouse" ? 4 : 9)) return;
    if (!tap.isMoved && held) tell.grab(held);
    tap.isMoved = true;
    if (held) moveHeld(toPicture(now));
    else panBy(now[0] - before[0], now[1] - before[1]);
  });

  function pinch(moving, before, now) {
    const [, other] = [...fingers].find(([id]) => id !== moving);
    const span = (place) => Math.hypot(place[0] - other[0], place[1] - other[1]);
    const middle = (place) => [(place[0] + other[0]) / 2, (place[1] + other[1]) / 2];
    panBy(middle(now)[0] - middle(before)[0], middle(now)[1] - middle(before)[1]);
    if (span(before) > 0) zoomBy(span(now) / span(before), middle(now));
  }

  function lift(event) {
    const isTap = event.type === "pointerup" && fingers.size === 1 && tap && !tap.isMoved;
    const place = placeOf(event);
    fingers.delete(event.pointerId);
    const wasDragged = held && tap && tap.isMoved;
    if (wasDragged) tell.moved(held);
    held = null;
    if (fingers.size === 0) tap = null;
    if (isTap) putAt(toPicture(place), event.pointerType === "mouse" ? 6 : 12);
    draw();
  }
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);
  canvas.addEventListener("wheel", (event) => {
    if (!image) return;
    event.preventDefault();
    zoomBy(Math.exp(-reduce(event.deltaY, -300, 300) / 400), placeOf(event));
  }, { passive: false });

  function letGo() {
    if (held && tap && tap.isMoved) tell.moved(held);
    held = null;
  }

  function nearestSpot(place, within) {
    const distance = (spot) => { const [x, y] = toScreen(spot.place); return Math.hypot(x - place[0], y - place[1]); };
    const near = tell.spots().filter((spot) => distance(spot) <= within).sort((a, b) => distance(a) - distance(b));
    return near[0] || null;
  }

  function moveHeld(place) {
    held.holder[held.key] = [reduce(place[0], 0, image.naturalWidth), reduce(place[1], 0, image.naturalHeight)];
    held.place = held.holder[held.key];
    draw();
  }

  // `reach`: how near, in pixels of the screen, a point counts as another one.
  function putAt(place, reach) {
    if (isInside(place)) tell.put(place, reach / view.zoom);
    else tell.say("That is outside the picture.");
  }

  // ---- keyboard ---------------------------------------------------------------------------------------------------
  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  canvas.addEventListener("keydown", (event) => {
    if (!image || event.ctrlKey || event.metaKey || event.altKey) return;
    if (ARROWS[event.key]) moveCross(ARROWS[event.key], event.shiftKey);
    else if (event.key === "Enter" || event.key === " ") { if (cross) putAt(cross, 6); else moveCross([0, 0], false); }
    else if (event.key === "+" || event.key === "=") zoomBy(1.5, cross ? toScreen(cross) : undefined);
    else if (event.key === "-") zoomBy(1 / 1.5, cross ? toScreen(cross) : undefined);
    else if (event.key === "0") fit();
    else if (event.key === "Backspace") tell.undo();
    else return;
    event.preventDefault();
  });

  // Ten pixels of the screen, or with Shift one of the picture; the cross-hair begins in the middle.
  function moveCross([dx, dy], isFine) {
    const step = isFine ? 1 : 10 / view.zoom;
    const [x, y] = cross || toPicture(size().map((length) => length / 2));
    cross = [reduce(x + step * dx, 0, image.naturalWidth), reduce(y + step * dy, 0, image.naturalHeight)];
    const [left, top] = toScreen(cross);
    const [width, height] = size();
    panBy(left < 20 ? 20 - left : left > width - 20 ? width - 20 - left : 0, top < 20 ? 20 - top : top > height - 20 ? height - 20 - top : 0);
  }

  // ---- drawing ----------------------------------------------------------------------------------------------------
  function draw() {
    const [width, height] = size();
    const ratio = window.devicePixelRatio || 1;
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    if (!image) return;
    paint();
    tell.paint({ line, mark });
    if (cross) drawCross();
    if (held) drawLoupe();
  }

  function paint() {
    context.imageSmoothingEnabled = view.zoom < 3; // close up, the pixels themselves are to be seen
    const [x, y] = toScreen([0, 0]);
    context.drawImage(image, x, y, image.naturalWidth * view.zoom, image.naturalHeight * view.zoom);
  }

  const INK = { quiet: "#ffd60a", now: "#5ee7ff" };
  function stroke(path, colour) {
    context.lineJoin = "round";
    for (const [width, ink] of [[4, "#000000"], [1.6, colour]]) {
      context.lineWidth = width;
      context.strokeStyle = ink;
      context.stroke(path);
    }
  }

  function line(places, { isClosed = false, isNow = false } = {}) {
    const path = new Path2D();
    places.map(toScreen).forEach(([x, y], i) => { if (i) path.lineTo(x, y); else path.moveTo(x, y); });
    if (isClosed) path.closePath();
    stroke(path, isNow ? INK.now : INK.quiet);
  }

  function mark(place, letter, isNow) {
    const [x, y] = toScreen(place);
    const path = new Path2D();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { path.moveTo(x + 3 * dx, y + 3 * dy); path.lineTo(x + 9 * dx, y + 9 * dy); }
    stroke(path, isNow ? INK.now : INK.quiet);
    context.font = "bold 15px system-ui, sans-serif";
    context.lineWidth = 4;
    context.strokeStyle = "#000000";
    context.strokeText(letter, x + 8, y - 8);
    context.fillStyle = isNow ? INK.now : INK.quiet;
    context.fillText(letter, x + 8, y - 8);
  }

  function drawCross() {
    const [x, y] = toScreen(cross);
    const path = new Path2D();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { path.moveTo(x + 4 * dx, y + 4 * dy); path.lineTo(x + 40 * dx, y + 40 * dy); }
    stroke(path, "#ffffff");
  }

  // What lies under the finger, four times as large, in the corner farther from it.
  function drawLoupe() {
    const radius = 60;
    const [x, y] = toScreen(held.place);
    const centre = [x < size()[0] / 2 ? size()[0] - radius - 6 : radius + 6, radius + 6];
    const keep = view;
    context.save();
    const ring = new Path2D();
    ring.arc(...centre, radius, 0, 2 * Math.PI);
    context.clip(ring);
    context.fillStyle = "#000000";
    context.fill(ring);
    const zoom = 4 * view.zoom;
    view = { zoom, x: held.place[0] - centre[0] / zoom, y: held.place[1] - centre[1] / zoom };
    paint();
    mark(held.place, "", true);
    view = keep;
    context.restore();
    stroke(ring, INK.now);
  }

  // As high as the picture needs at this width, and never more than the style allows.
  function setHeight() {
    canvas.style.maxHeight = image ? `${Math.max(240, Math.ceil((canvas.clientWidth * image.naturalHeight) / image.naturalWidth))}px` : "12rem";
  }

  let width = 0;
  new ResizeObserver(() => {
    const isTurned = canvas.clientWidth !== width;
    width = canvas.clientWidth;
    setHeight();
    if (image && isTurned) fit();
    else draw();
  }).observe(canvas);
  return {
    show(next) {
      image = next;
      cross = null;
      held = null;
      tap = null;
      fingers.clear();
      setHeight();
      if (image) fit();
      else draw();
    },
    draw, fit, zoomBy, toScreen,
    nudge: () => Math.max(1, 1 / view.zoom),
  };
};
