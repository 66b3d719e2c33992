"use strict";

const SVG = "http://www.w3.org/2000/svg";
const PLATE = "plate";
const LIMBS = ["left", "right"].flatMap((side) => [
  [`${side}_shoulder`, `${side}_elbow`],
  [`${side}_elbow`, `${side}_wrist`],
]);
const GRAB_PX = 26;
const UNSURE_BELOW = 0.5;
const POLL_MS = 400;

const byId = (id) => document.getElementById(id);
const words = (name) => (isEnd(name) ? `bar end, picture ${name.slice("image_".length)}` : name.replace("_", " "));
const isEnd = (name) => facts.end_names.includes(name);

let facts = null;
let at = 0;
let zoom = 1;
let centre = { x: 0, y: 0 };
let chosen = null;
let drag = null;
let pan = null;
let loupeTimer = 0;
let busy = false;
let corrections = new Map();
let saved = "";
const marks = new Map();

function make(tag, attributes, parent) {
  const element = document.createElementNS(SVG, tag);
  set(element, attributes);
  if (parent) parent.append(element);
  return element;
}

function set(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
}

function complain(sentence) {
  byId("problem").textContent = sentence;
  byId("problem").hidden = !sentence;
  if (sentence) byId("problem").scrollIntoView({ block: "nearest" });
}

async function reach(address, options) {
  try {
    return await fetch(address, { credentials: "omit", cache: "no-store", ...options });
  } catch {
    throw new Error("The program does not answer any more; start it again.");
  }
}

async function ask(address, options) {
  const answer = await reach(address, options);
  const data = await answer.json();
  if (!answer.ok) throw new Error(data.error);
  return data;
}

async function explain(address) {
  try {
    const answer = await reach(address);
    if (!answer.ok) complain((await answer.json()).error);
  } catch (error) {
    complain(error.message);
  }
}

// --- what is known of points ----------------------------------------------------------------------

const frame = () => facts.frames[at].frame;
const key = (name, number = frame()) => `${number}:${name}`;

function seen(name) {
  if (name === PLATE) {
    const plate = facts.tracked.plate[frame()];
    return plate && plate.x_px !== null && plate.y_px !== null
      ? { x: plate.x_px, y: plate.y_px, sure: true }
      : null;
  }
  if (isEnd(name)) {
    const end = facts.tracked.ends[frame()][name];
    return end.x_px !== null && end.y_px !== null ? { x: end.x_px, y: end.y_px, sure: true } : null;
  }
  const joint = (facts.tracked.joints[frame()] || {})[name];
  return joint && joint.x_px !== null && joint.y_px !== null
    ? { x: joint.x_px, y: joint.y_px, sure: joint.confidence >= UNSURE_BELOW }
    : null;
}

const corrected = (name) => corrections.get(key(name)) || null;
const place = (name) => corrected(name) || seen(name);

const names = () => [...facts.joint_names, ...facts.end_names, ...(facts.has_plate ? [PLATE] : [])];

function asData() {
  const joints = [];
  const plate = [];
  const ends = [];
  for (const [name, point] of corrections) {
    const [number, what] = name.split(":");
    const entry = { frame: Number(number), x_px: point.x, y_px: point.y };
    if (what === PLATE) plate.push(entry);
    else if (isEnd(what)) ends.push({ ...entry, end: what });
    else joints.push({ ...entry, joint: what });
  }
  const said = (point) => point.joint || point.end || "";
  const order = (a, b) => a.frame - b.frame || said(a).localeCompare(said(b));
  const data = { schema: "barpath-corrections", schema_version: 1, joints: joints.sort(order), plate: plate.sort(order) };
  return ends.length ? { ...data, schema_version: 2, ends: ends.sort(order) } : data;
}

function takeOver(data) {
  corrections = new Map();
  for (const point of data.joints) corrections.set(key(point.joint, point.frame), { x: point.x_px, y: point.y_px });
  for (const point of data.ends || []) corrections.set(key(point.end, point.frame), { x: point.x_px, y: point.y_px });
  for (const point of data.plate) corrections.set(key(PLATE, point.frame), { x: point.x_px, y: point.y_px });
  saved = JSON.stringify(asData());
}

function move(name, x, y) {
  if (busy) return;
  const limit = (value, size) => Math.round(Math.min(Math.max(value, 0), size - 1) * 100) / 100;
  corrections.set(key(name), { x: limit(x, facts.width_px), y: limit(y, facts.height_px) });
  draw();
}

function takeBack(name) {
  if (busy) return;
  corrections.delete(key(name));
  draw();
}

// --- the picture ----------------------------------------------------------------------------------

const picture = () => byId("picture");

function view() {
  const width = facts.width_px / zoom;
  const height = facts.height_px / zoom;
  const inside = (value, size, all) => Math.min(Math.max(value - size / 2, 0), all - size);
  return { x: inside(centre.x, width, facts.width_px), y: inside(centre.y, height, facts.height_px), width, height };
}

/** Image pixels for one pixel of the page. */
function unit() {
  const box = picture().getBoundingClientRect();
  const shown = view();
  return Math.max(shown.width / Math.max(box.width, 1), shown.height / Math.max(box.height, 1));
}

function toImage(event) {
  const matrix = picture().getScreenCTM().inverse();
  return new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix);
}

function build() {
  const svg = picture();
  svg.replaceChildren();
  marks.clear();
  const { width_px: width, height_px: height } = facts;
  // The picture's origin is the centre of its corner pixel.
  const area = { x: -0.5, y: -0.5, width, height };
  const image = make("image", { ...area, href: `frames/${frame()}.jpg`, preserveAspectRatio: "none" }, svg);
  image.addEventListener("error", () => explain(`frames/${frame()}.jpg`));
  const under = make("g", {}, svg);
  for (const name of names()) {
    const group = make("g", { class: "point", tabindex: "0", role: "button", "data-name": name, "aria-describedby": "keys" }, svg);
    const mark = { group, ghost: [], limbs: [] };
    if (name === PLATE) {
      mark.outline = ["dark", "light"].map((tone) => make("ellipse", { class: `outline ${tone}` }, under));
    }
    mark.was = make("circle", { class: "was" }, under);
    mark.way = make("line", { class: "way" }, under);
    mark.halo = make("circle", { class: "halo" }, group);
    mark.shapes = ["dark", "light"].map((tone) => make("path", { class: `mark ${tone}` }, group));
    mark.text = make("text", {}, group);
    mark.hit = make("circle", { class: "hit" }, group);
    group.addEventListener("focus", () => choose(name));
    group.addEventListener("keydown", (event) => onKey(event, name));
    marks.set(name, mark);
  }
  marks.set("limbs", LIMBS.map((ends) => ({
    ends,
    lines: ["dark", "light"].map((tone) => make("line", { class: `limb ${tone}` }, under)),
  })));
  const loupe = byId("loupe");
  loupe.replaceChildren();
  make("image", { ...area, href: `frames/${frame()}.jpg`, preserveAspectRatio: "none" }, loupe);
  make("path", { class: "cross dark" }, loupe);
  make("path", { class: "cross" }, loupe);
}

function draw() {
  const shown = view();
  set(picture(), { viewBox: `${shown.x - 0.5} ${shown.y - 0.5} ${shown.width} ${shown.height}` });
  picture().style.aspectRatio = `${facts.width_px} / ${facts.height_px}`;
  picture().classList.toggle("near", zoom > 1);
  const u = unit();
  const line = { "stroke-width": 4.5 * u };
  const fine = { "stroke-width": 2 * u };
  for (const limb of marks.get("limbs")) {
    const [a, b] = limb.ends.map((name) => (marks.has(name) ? place(name) : null));
    limb.lines.forEach((element, k) => {
      element.toggleAttribute("hidden", !(a && b));
      if (a && b) set(element, { x1: a.x, y1: a.y, x2: b.x, y2: b.y, ...(k ? fine : line) });
    });
  }
  for (const [name, mark] of marks) if (name !== "limbs") drawPoint(name, mark, u);
  drawList();
  drawLoupe();
}

function drawPoint(name, mark, u) {
  const point = place(name);
  const by_hand = corrected(name);
  const before = seen(name);
  mark.group.toggleAttribute("hidden", !point);
  mark.group.style.display = point ? "" : "none";
  const moved = by_hand && before;
  for (const element of [mark.was, mark.way]) element.style.display = moved ? "" : "none";
  if (mark.outline) drawOutline(mark, point, Boolean(by_hand), u);
  if (!point) return;
  const { x, y } = point;
  mark.group.classList.toggle("set", Boolean(by_hand));
  mark.group.classList.toggle("chosen", name === chosen);
  mark.group.classList.toggle("unsure", !by_hand && !point.sure);
  const r = 6.5 * u;
  const diamond = `M${x - 1.3 * r} ${y}L${x} ${y - 1.3 * r}L${x + 1.3 * r} ${y}L${x} ${y + 1.3 * r}Z`;
  const hole = `M${x - 0.35 * r} ${y}a${0.35 * r} ${0.35 * r} 0 1 0 ${0.7 * r} 0a${0.35 * r} ${0.35 * r} 0 1 0 ${-0.7 * r} 0Z`;
  const ring = `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`;
  mark.shapes.forEach((element, k) => {
    set(element, { d: by_hand ? diamond + hole : ring, "fill-rule": "evenodd", "stroke-width": (k ? (by_hand ? 1 : 2.5) : by_hand ? 4 : 5.5) * u });
  });
  set(mark.halo, { cx: x, cy: y, r: 13 * u, "stroke-width": 3 * u });
  set(mark.hit, { cx: x, cy: y, r: 20 * u });
  if (moved) {
    set(mark.was, { cx: before.x, cy: before.y, r: 5 * u, "stroke-width": 1.5 * u, "stroke-dasharray": `${2.5 * u} ${2 * u}` });
    set(mark.way, { x1: before.x, y1: before.y, x2: x, y2: y, "stroke-width": 1.5 * u, "stroke-dasharray": `${3 * u} ${3 * u}` });
  }
  const short = name === PLATE || isEnd(name) ? "" : name[0].toUpperCase();
  mark.text.textContent = name === chosen ? words(name) : short;
  const flip = x > view().x + 0.75 * view().width;
  set(mark.text, { x: x + (flip ? -16 : 16) * u, y: y - 9 * u, "text-anchor": flip ? "end" : "start", "font-size": 14 * u, "stroke-width": 3.5 * u });
  const where = by_hand ? "put right by hand" : point.sure ? "by the program" : "by the program, uncertain";
  set(mark.group, { "aria-label": `${words(name)}, ${where}, at ${Math.round(x)}, ${Math.round(y)}` });
}

function drawOutline(mark, point, by_hand, u) {
  const shape = facts.tracked.plate[frame()];
  const whole = point && shape && shape.major_px !== null;
  mark.outline.forEach((element, k) => {
    element.style.display = whole ? "" : "none";
    if (!whole) return;
    element.classList.toggle("set", by_hand);
    set(element, {
      cx: point.x, cy: point.y, rx: shape.major_px / 2, ry: shape.minor_px / 2,
      transform: `rotate(${shape.angle_deg} ${point.x} ${point.y})`,
      "stroke-width": (k ? 2 : 4.5) * u,
    });
  });
}

function drawLoupe() {
  const loupe = byId("loupe");
  const point = chosen && marks.has(chosen) ? place(chosen) : null;
  if (!point) {
    loupe.classList.remove("shown");
    return;
  }
  const side = Math.max(150 * unit() / 4, 12);
  set(loupe, { viewBox: `${point.x - side / 2} ${point.y - side / 2} ${side} ${side}` });
  const gap = side / 16;
  const arm = side / 4;
  const cross = [[1, 0], [-1, 0], [0, 1], [0, -1]]
    .map(([a, b]) => `M${point.x + a * gap} ${point.y + b * gap}L${point.x + a * arm} ${point.y + b * arm}`)
    .join("");
  loupe.querySelectorAll(".cross").forEach((element, k) => set(element, { d: cross, "stroke-width": (k ? 0.012 : 0.03) * side }));
  const shown = view();
  const right = point.x < shown.x + shown.width / 2;
  loupe.classList.toggle("right", right);
  loupe.classList.toggle("left", !right);
}

function showLoupe(stays) {
  byId("loupe").classList.add("shown");
  clearTimeout(loupeTimer);
  if (!stays) loupeTimer = setTimeout(() => byId("loupe").classList.remove("shown"), 1500);
}

function drawList() {
  const list = byId("points");
  const focused = document.activeElement && list.contains(document.activeElement)
    ? document.activeElement.dataset.act
    : null;
  list.replaceChildren(...names().map((name) => {
    const item = document.createElement("li");
    const by_hand = corrected(name);
    const point = place(name);
    item.className = `${by_hand ? "set" : ""} ${name === chosen ? "chosen" : ""}`;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "name";
    button.dataset.act = `choose ${name}`;
    button.textContent = name === PLATE ? "plate, its middle" : words(name);
    const note = document.createElement("small");
    note.textContent = by_hand ? "put right by hand" : !point ? "not found" : point.sure ? "by the program" : "by the program, uncertain";
    button.append(note);
    button.addEventListener("click", () => (place(name) ? focusOn(name) : choose(name)));
    item.append(button);
    if (by_hand || !point) {
      const act = document.createElement("button");
      act.type = "button";
      act.dataset.act = `act ${name}`;
      act.textContent = by_hand ? "Remove" : "Place";
      act.setAttribute("aria-label", by_hand ? `Remove the correction of the ${words(name)}` : `Place the ${words(name)}`);
      act.addEventListener("click", () => (by_hand ? takeBack(name) : put(name)));
      item.append(act);
    }
    return item;
  }));
  if (focused) {
    const again = [...list.querySelectorAll("button")].find((button) => button.dataset.act === focused);
    (again || list.querySelector("button")).focus();
  }
  drawCount();
}

function drawCount() {
  const n = corrections.size;
  const open = JSON.stringify(asData()) !== saved;
  byId("count").textContent = `${n === 0 ? "No" : n} correction${n === 1 ? "" : "s"} in this clip${open ? ", not all saved." : "."}`;
  byId("save").disabled = busy || !open;
  byId("undo").disabled = busy || !open;
  facts.frames.forEach((row, k) => {
    const option = byId("frame").querySelector(`option[value="${k}"]`);
    const has = [...facts.joint_names, ...facts.end_names, PLATE].some((name) => corrections.has(key(name, row.frame)));
    option.textContent = `${frameTitle(row)}${has ? " ◆" : ""}`;
  });
}

// --- frames ---------------------------------------------------------------------------------------

function frameTitle(row) {
  const said = [row.rep ? `Rep ${row.rep}` : "", row.title, `${row.time_s.toFixed(2)} s`];
  return said.filter(Boolean).join(", ");
}

function buildFrames() {
  const select = byId("frame");
  select.replaceChildren();
  let group = null;
  let rep = null;
  facts.frames.forEach((row, k) => {
    if (row.rep !== rep) {
      rep = row.rep;
      group = document.createElement("optgroup");
      group.label = rep ? `Rep ${rep}` : "Between reps";
      select.append(group);
    }
    const option = document.createElement("option");
    option.value = String(k);
    option.textContent = frameTitle(row);
    group.append(option);
  });
  byId("slide").max = String(facts.frames.length - 1);
}

function show(k) {
  at = Math.min(Math.max(k, 0), facts.frames.length - 1);
  byId("frame").value = String(at);
  byId("slide").value = String(at);
  byId("slide").setAttribute("aria-valuetext", frameTitle(facts.frames[at]));
  byId("earlier").disabled = at === 0;
  byId("later").disabled = at === facts.frames.length - 1;
  build();
  draw();
  for (const next of [at + 1, at - 1]) {
    if (facts.frames[next]) new Image().src = `frames/${facts.frames[next].frame}.jpg`;
  }
}

// --- choosing and moving --------------------------------------------------------------------------

function choose(name) {
  if (chosen === name) return;
  chosen = name;
  draw();
}

function focusOn(name) {
  choose(name);
  marks.get(name).group.focus({ preventScroll: true });
  if (zoom > 1) {
    centre = { ...place(name) };
    draw();
  }
}

function put(name) {
  const shown = view();
  chosen = name;
  move(name, shown.x + shown.width / 2, shown.y + shown.height / 2);
  focusOn(name);
}

function nudge(name, dx, dy) {
  const point = name && marks.has(name) ? place(name) : null;
  if (!point) return;
  move(name, point.x + dx, point.y + dy);
  showLoupe(false);
}

function onKey(event, name) {
  const step = event.shiftKey ? 10 : 1;
  const ways = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
  if (ways[event.key]) nudge(name, ...ways[event.key]);
  else if (event.key === "Delete" || event.key === "Backspace") takeBack(name);
  else return;
  event.preventDefault();
}

function nearest(point) {
  let best = null;
  let least = GRAB_PX * unit();
  for (const name of names()) {
    const there = place(name);
    let distance = there ? Math.hypot(there.x - point.x, there.y - point.y) : Infinity;
    // Of points close together the one chosen before goes first.
    if (name === chosen) distance /= 2;
    if (distance < least) [best, least] = [name, distance];
  }
  return best;
}

function onDown(event) {
  if (busy || (event.pointerType === "mouse" && event.button !== 0)) return;
  const point = toImage(event);
  const name = nearest(point);
  if (name) {
    event.preventDefault();
    choose(name);
    marks.get(name).group.focus({ preventScroll: true });
    const there = place(name);
    // The point keeps its distance from the finger, so that it neither jumps nor is covered.
    drag = { id: event.pointerId, name, dx: there.x - point.x, dy: there.y - point.y };
    showLoupe(true);
    drawLoupe();
  } else if (zoom > 1) {
    pan = { id: event.pointerId, x: event.clientX, y: event.clientY, from: view() };
  } else return;
  picture().setPointerCapture(event.pointerId);
}

function onMove(event) {
  if (drag && drag.id === event.pointerId) {
    const point = toImage(event);
    move(drag.name, point.x + drag.dx, point.y + drag.dy);
  } else if (pan && pan.id === event.pointerId) {
    const u = unit();
    centre = {
      x: pan.from.x + pan.from.width / 2 - (event.clientX - pan.x) * u,
      y: pan.from.y + pan.from.height / 2 - (event.clientY - pan.y) * u,
    };
    draw();
  }
}

function onUp(event) {
  if (drag && drag.id === event.pointerId) showLoupe(false);
  if ((drag || pan) && (drag || pan).id === event.pointerId) drag = pan = null;
}

function setZoom(value) {
  const point = chosen && marks.has(chosen) ? place(chosen) : null;
  const shown = view();
  zoomTo(value, point || { x: shown.x + shown.width / 2, y: shown.y + shown.height / 2 });
}

/** As large as all points of all frames allow. */
function zoomToPoints() {
  const tracked = [facts.tracked.plate, ...Object.values(facts.tracked.joints), ...Object.values(facts.tracked.ends)];
  const points = [...tracked.flatMap((part) => Object.values(part))]
    .filter((point) => point.x_px !== null && point.y_px !== null)
    .map((point) => ({ x: point.x_px, y: point.y_px }));
  if (!points.length) return;
  const range = (axis) => [Math.min, Math.max].map((pick) => points.map((p) => p[axis]).reduce((a, b) => pick(a, b)));
  const [left, right] = range("x");
  const [top, bottom] = range("y");
  const room = Math.min(facts.width_px / (right - left + 1), facts.height_px / (bottom - top + 1)) / 1.3;
  zoomTo([4, 2].find((value) => value <= room) || 1, { x: (left + right) / 2, y: (top + bottom) / 2 });
}

function zoomTo(value, middle) {
  zoom = value;
  centre = { x: middle.x, y: middle.y };
  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.setAttribute("aria-pressed", String(Number(button.dataset.zoom) === zoom));
  }
  draw();
}

// --- saving ---------------------------------------------------------------------------------------

function setBusy(value) {
  busy = value;
  byId("progress").hidden = !value;
  drawCount();
}

async function save() {
  complain("");
  byId("report").hidden = true;
  setBusy(true);
  try {
    const sent = asData();
    let job = await ask("corrections", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(sent),
    });
    await watch(job);
  } catch (error) {
    byId("status").textContent = "";
    complain(error.message);
  }
  setBusy(false);
}

async function watch(job) {
  while (job.state === "running") {
    byId("status").textContent = `${job.stage[0].toUpperCase()}${job.stage.slice(1)} …`;
    byId("progress").value = job.share;
    if (job.changes) showChanges(job.changes);
    await new Promise((done) => setTimeout(done, POLL_MS));
    job = await ask("job");
  }
  if (job.state === "failed") {
    byId("changes").hidden = true;
    throw new Error(`${job.error} Nothing was saved.`);
  }
  const number = frame();
  facts = await ask("state");
  takeOver(facts.corrections);
  buildFrames();
  show(Math.max(facts.frames.findIndex((row) => row.frame === number), 0));
  showChanges(job.changes);
  byId("report").hidden = !facts.report;
  const saved_words = `Saved; the new report was ready after ${job.seconds.toFixed(1)} s.`;
  byId("status").textContent = saved_words;
  watchVideo(saved_words).catch((error) => complain(error.message));
}

/** The annotated clip is drawn after the report, while the coach may go on. */
async function watchVideo(before) {
  let job = await ask("job");
  while (job.state === "done" && job.video === "drawing") {
    byId("status").textContent = `${before} Drawing the annotated clip: ${Math.round(100 * job.share)} %.`;
    await new Promise((done) => setTimeout(done, 2 * POLL_MS));
    if (busy) return;
    job = await ask("job");
  }
  if (job.state !== "done") return;
  const after = { done: " The annotated clip is drawn.", failed: ` The annotated clip was not drawn: ${job.video_error}` };
  byId("status").textContent = before + (after[job.video] || "");
}

function showChanges(changes) {
  const [before, after] = changes.reps;
  const same = `${changes.n_same} value${changes.n_same === 1 ? "" : "s"} read${changes.n_same === 1 ? "s" : ""} as before.`;
  byId("summary").textContent = `${before === after ? "" : `Repetitions: ${before} before, ${after} now. `}${changes.rows.length ? "" : "No value reads differently. "}${same}`;
  byId("rows").replaceChildren(...changes.rows.map((row) => {
    const line = document.createElement("tr");
    const about = [`rep ${row.rep}`, row.side, row.unit].filter(Boolean).join(", ");
    const head = document.createElement("th");
    head.scope = "row";
    head.textContent = row.measure;
    const extra = document.createElement("span");
    extra.className = "unit";
    extra.textContent = ` ${about}`;
    head.append(extra);
    line.append(head);
    const cells = [
      [row.before, row.before_quality],
      [row.after, row.after_quality],
    ];
    for (const [text, quality] of cells) {
      const cell = document.createElement("td");
      cell.textContent = text;
      const said = document.createElement("span");
      said.className = "vh";
      said.textContent = `, ${quality}`;
      if (quality !== "missing") {
        const mark = document.createElement("span");
        mark.className = `q ${quality}`;
        mark.title = quality;
        cell.append(mark);
      }
      cell.append(said);
      line.append(cell);
    }
    if (row.after_quality === "missing") line.lastChild.title = row.reason;
    return line;
  }));
  byId("changes").hidden = false;
}

// --- start ----------------------------------------------------------------------------------------

function listen() {
  const svg = picture();
  svg.addEventListener("pointerdown", onDown);
  svg.addEventListener("pointermove", onMove);
  svg.addEventListener("pointerup", onUp);
  svg.addEventListener("pointercancel", onUp);
  byId("frame").addEventListener("change", () => show(Number(byId("frame").value)));
  byId("slide").addEventListener("input", () => show(Number(byId("slide").value)));
  byId("earlier").addEventListener("click", () => show(at - 1));
  byId("later").addEventListener("click", () => show(at + 1));
  byId("save").addEventListener("click", save);
  byId("undo").addEventListener("click", () => {
    takeOver(JSON.parse(saved));
    show(at);
  });
  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => setZoom(Number(button.dataset.zoom)));
  }
  for (const button of document.querySelectorAll("[data-move]")) {
    button.addEventListener("click", () => nudge(chosen, ...button.dataset.move.split(",").map(Number)));
  }
  new ResizeObserver(() => draw()).observe(byId("stage"));
  window.addEventListener("beforeunload", (event) => {
    if (JSON.stringify(asData()) !== saved) event.preventDefault();
  });
}

async function start() {
  try {
    facts = await ask("state");
  } catch (error) {
    complain(error.message);
    return;
  }
  byId("clip").textContent = facts.clip;
  byId("back").hidden = !facts.back;
  byId("back").firstElementChild.setAttribute("href", facts.back);
  document.title = `Put right by hand: ${facts.clip}`;
  if (facts.left_on_right) {
    byId("intro").append(" Filmed from the feet, the lifter's left is on the picture's right.");
  }
  if (facts.end_names.length) {
    byId("intro").append(" An end of the bar is where the innermost plate lies against the sleeve's shoulder, on the bar's axis; put right on one frame, it is right in all.");
  }
  centre = { x: facts.width_px / 2, y: facts.height_px / 2 };
  takeOver(facts.corrections);
  buildFrames();
  const first = facts.frames.findIndex((row) => row.title.startsWith("touch"));
  show(Math.max(first, 0));
  zoomToPoints();
  listen();
  const job = await ask("job");
  byId("report").hidden = !facts.report;
  if (job.state === "running") {
    setBusy(true);
    await watch(job).catch((error) => complain(error.message));
    setBusy(false);
  }
}

start();
