const page = data("page-data");
const $ = id => document.getElementById(id);
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
const uri = picture => "data:image/jpeg;base64," + picture;
// Unconfirmed flashing pictures change at most three times a second, however fast one points at frames.
const LEAST_CHANGE_MS = 340;
const confirmed = {before: !page.before.beyond, after: !page.after.beyond};
let chosen = page.before.stillFrame;

// --- previews: a still until played, never by themselves -------------------------------------------------
const players = {};
class Player {
  constructor(figure) {
    this.side = figure.dataset.side;
    this.image = figure.querySelector("img");
    this.canvas = figure.querySelector("canvas");
    this.button = figure.querySelector(".play");
    this.caution = figure.querySelector(".flashing");
    this.playing = false;
    this.frames = null;
    if (this.image) { this.image.src = uri(page[this.side].still); }
    if (!this.button) { return; }
    this.label = this.button.querySelector("span");
    this.button.addEventListener("click", () => this.playing ? this.stop() : this.play());
    this.caution?.querySelector(".confirm").addEventListener("click", () => {
      confirmed[this.side] = true;
      this.caution.remove();
      heedMotion();
      this.button.focus();
    });
  }
  get ready() { return this.button && confirmed[this.side]; }
  async load() {
    if (this.frames) { return; }
    const known = page.order.map(frame => page[this.side].pictures[frame]).filter(picture => picture);
    this.frames = await Promise.all(known.map(async picture => {
      const image = new Image();
      image.src = uri(picture);
      await image.decode();
      return image;
    }));
  }
  async play(began) {
    await this.load();
    if (!this.frames.length) { return; }
    this.playing = true;
    this.tell("❚❚ Pause");
    this.canvas.width = this.frames[0].naturalWidth;
    this.canvas.height = this.frames[0].naturalHeight;
    this.canvas.hidden = false;
    const pen = this.canvas.getContext("2d");
    const start = began ?? performance.now();
    const show = now => {
      if (!this.playing) { return; }
      const at = Math.floor(Math.max(now - start, 0) / 1000 * page.fps) % this.frames.length;
      pen.drawImage(this.frames[at], 0, 0);
      requestAnimationFrame(show);
    };
    requestAnimationFrame(show);
  }
  stop() {
    this.playing = false;
    this.canvas.hidden = true;
    this.tell("▶ Play");
  }
  tell(text) { this.button.firstChild.textContent = text; this.button.append(this.label); }
}
for (const figure of document.querySelectorAll("figure.view")) { players[figure.dataset.side] = new Player(figure); }
const both = $("play-both");
function offerBoth() {
  both.hidden = both.dataset.calm === "yes" || !(players.before?.ready && players.after?.ready);
}
function heedMotion() {
  const less = calm.matches && !$("less-motion").dataset.allowed;
  $("less-motion").hidden = !less;
  both.dataset.calm = less ? "yes" : "";
  for (const player of Object.values(players)) {
    if (player.button) { player.button.hidden = less || !confirmed[player.side]; }
    if (less && player.playing) { player.stop(); }
  }
  offerBoth();
}
$("play-anyway").addEventListener("click", () => { $("less-motion").dataset.allowed = "yes"; heedMotion(); });
calm.addEventListener("change", heedMotion);
both.addEventListener("click", async () => {
  const pair = [players.before, players.after];
  if (pair.some(player => player.playing)) { pair.forEach(player => player.stop()); both.textContent = "▶ Play both"; return; }
  await Promise.all(pair.map(player => player.load()));
  const began = performance.now();
  pair.forEach(player => player.play(began));
  both.textContent = "❚❚ Pause both";
});
document.addEventListener("visibilitychange", () => {
  if (document.hidden) { Object.values(players).filter(player => player.playing).forEach(player => player.stop()); both.textContent = "▶ Play both"; }
});
heedMotion();

// --- one frame -------------------------------------------------------------------------------------------
function picture(side, frame) {
  const all = page[side].pictures;
  if (all[frame]) { return all[frame]; }
  // Of very long flights only every so-manieth frame has its picture.
  for (let off = 1; off <= 3; off += 1) { if (page.frames[frame].why === null && all[frame - off]) { return all[frame - off]; } }
  return null;
}
const lastChange = {before: 0, after: 0}, waiting = {};
function showSmall(side, frame) {
  const box = document.querySelector(`[data-small="${side}"]`);
  const wait = confirmed[side] ? 0 : LEAST_CHANGE_MS - (performance.now() - lastChange[side]);
  clearTimeout(waiting[side]);
  if (wait > 0) { waiting[side] = setTimeout(() => showSmall(side, chosen), wait); return; }
  lastChange[side] = performance.now();
  const shown = picture(side, frame), image = box.querySelector("img"), none = box.querySelector(".none");
  image.hidden = shown === null;
  none.hidden = shown !== null;
  if (shown !== null) { image.src = uri(shown); image.alt = `${side}, frame ${frame}`; }
  else { none.textContent = page.frames[frame].why ?? (side === "after" ? page.after.whyNot ?? "not in the video" : "no picture"); }
}
function short(value) {
  if (value === null || value === undefined) { return "–"; }
  if (Math.abs(value) < 1e-5) { return "0"; }
  return Math.abs(value) >= 1000 ? value.toFixed(0) : String(Number(value.toPrecision(3)));
}
function numbersOf(frame) {
  const rows = [];
  for (const chart of page.charts) {
    const of = role => chart.series.find(series => series.role === role)?.y[frame];
    const [before, after] = [of("before"), of("after")];
    if (before !== undefined || after !== undefined) { rows.push([`${chart.title} (${chart.unit})`, short(before), short(after)]); }
    for (const series of chart.series.filter(one => one.role === "bad" || one.role === "accent")) {
      rows.push([`${chart.title}, ${series.name} (${chart.unit})`, short(series.y[frame]), "–"]);
    }
  }
  return rows;
}
function cell(tag, text, kind) {
  const made = document.createElement(tag);
  made.textContent = text;
  if (kind) { made.className = kind; }
  return made;
}
let telling;
function select(frame) {
  frame = Math.min(Math.max(Math.round(frame), 0), page.frames.length - 1);
  chosen = frame;
  const row = page.frames[frame], at = row.video_s === null ? "not in the video" : `${row.video_s.toFixed(2)} s of video`;
  $("frame-name").textContent = `Frame ${frame}, ${row.file}`;
  $("scrub").value = frame;
  $("scrub").setAttribute("aria-valuetext", `frame ${frame}, ${row.file}`);
  $("frame-facts").textContent = [at, row.time_s === null ? "" : `${row.time_s.toFixed(1)} s of flight`, row.settings, row.why ?? ""].filter(Boolean).join(" · ");
  const here = page.findings.filter(finding => finding.frames.includes(frame));
  $("frame-findings").replaceChildren(...here.map(finding => cell("li", finding.seen, "beyond")));
  $("frame-numbers").replaceChildren(...numbersOf(frame).map(([name, before, after]) => {
    const line = document.createElement("tr");
    line.append(cell("td", name), cell("td", before, "figure"), cell("td", after, "figure"));
    return line;
  }));
  showSmall("before", frame);
  showSmall("after", frame);
  moveCursors();
  document.querySelector("#contact-sheet .chosen")?.classList.remove("chosen");
  $("contact-sheet").children[frame]?.classList.add("chosen");
  clearTimeout(telling);
  telling = setTimeout(() => { $("told").textContent = [`frame ${frame}`, ...here.map(finding => finding.seen)].join(", "); }, 400);
}
function jump(frame) {
  select(frame);
  $("frames").scrollIntoView({behavior: calm.matches ? "auto" : "smooth"});
  $("frame-name").focus({preventScroll: true});
}

// --- curves ----------------------------------------------------------------------------------------------
function moveCursors() {
  for (const chart of page.charts) {
    const plot = $("chart-" + chart.key), axis = plot._fullLayout?.xaxis, cursor = plot.nextElementSibling;
    if (!axis) { continue; }
    const [low, high] = axis.range;
    cursor.hidden = chosen < Math.min(low, high) || chosen > Math.max(low, high);
    cursor.style.top = `${plot._fullLayout._size.t}px`;
    cursor.style.bottom = `${plot._fullLayout._size.b}px`;
    cursor.style.left = `${axis._offset + axis.l2p(chosen)}px`;
  }
}
function spansOf(chart) {
  const frames = [...new Set(page.findings.filter(finding => finding.marked && chart.causes.includes(finding.cause)).flatMap(finding => finding.frames))].sort((a, b) => a - b);
  const spans = [];
  for (const frame of frames) {
    if (spans.length && frame <= spans[spans.length - 1][1] + 1) { spans[spans.length - 1][1] = frame; } else { spans.push([frame, frame]); }
  }
  return spans;
}
let zooming = false;
async function zoomAll(from, change) {
  if (zooming || !("xaxis.range[0]" in change || "xaxis.autorange" in change)) { return; }
  zooming = true;
  const same = "xaxis.autorange" in change ? {"xaxis.autorange": true} : {"xaxis.range": [change["xaxis.range[0]"], change["xaxis.range[1]"]]};
  await Promise.all(page.charts.filter(chart => chart.key !== from).map(chart => Plotly.relayout("chart-" + chart.key, same)));
  zooming = false;
  moveCursors();
}
const numbers = page.frames.map(row => row.frame), names = page.frames.map(row => `frame ${row.frame}, ${row.file}`);
const coarse = window.matchMedia("(pointer: coarse)").matches;
function listen(plot) {
  if (plot.dataset.listening) { return; }
  plot.dataset.listening = "yes";
  const frameOf = event => event.points[0].customdata ?? event.points[0].x;
  plot.on("plotly_hover", event => select(frameOf(event)));
  plot.on("plotly_click", event => select(frameOf(event)));
}
function drawCharts() {
  for (const chart of page.charts) {
    const plot = $("chart-" + chart.key);
    const shapes = spansOf(chart).map(([first, last]) => ({type: "rect", xref: "x", yref: "paper", x0: first - 0.5, x1: last + 0.5,
      y0: 0, y1: 1, line: {width: 0}, fillcolor: colour("bad"), opacity: 0.14, layer: "below"}));
    Plotly.react(plot, chart.series.map(series => curve({...series, x: numbers, text: names}, chart.unit)), layout({
      shapes, hovermode: "closest", dragmode: coarse ? false : "zoom", hoverdistance: 40,
      xaxis: axis("frame", {range: plot._fullLayout?.xaxis.range ?? [-1, numbers.length]}),
      yaxis: axis(chart.unit, {range: chart.range ?? undefined, fixedrange: true}),
    }), {responsive: true, displayModeBar: false});
    const fresh = !plot.dataset.listening;
    listen(plot);
    if (fresh) {
      plot.on("plotly_relayout", change => zoomAll(chart.key, change));
      plot.on("plotly_afterplot", moveCursors);
    }
  }
}
function drawMap() {
  const course = page.course;
  if (!course) { return; }
  const label = course.frame.map((frame, i) => plain(`${names[frame]}: ${short(course.speed[i])} m/s, ${short(course.up[i])} m up`));
  const known = course.speed.filter(speed => speed !== null);
  const middle = known.slice().sort((a, b) => a - b)[Math.floor(known.length / 2)] ?? 0;
  // About the usual speed; a steady pace must look steady, so the scale spans at least a tenth to either side.
  const reach = Math.max(0.1 * middle, ...known.map(speed => Math.abs(speed - middle)));
  const scale = [[0, colour("after")], [0.5, colour("usual")], [1, colour("before")]];
  const marks = course.frame.map((_, i) => i).filter(i => course.troubled[i]);
  const of = (list, keep) => keep.map(i => list[i]);
  Plotly.react("map", [
    {x: course.east, y: course.north, mode: "lines", line: {color: colour("kept"), width: 1}, hoverinfo: "skip", showlegend: false},
    {x: course.east, y: course.north, customdata: course.frame, text: label, mode: "markers", name: "photos", showlegend: false,
      marker: {size: 8, color: course.speed, colorscale: scale, cmin: middle - reach, cmax: middle + reach, line: {width: 1, color: colour("kept")},
        colorbar: {title: {text: "m/s"}, thickness: 12, outlinewidth: 0}}, hovertemplate: "%{text}<extra></extra>"},
    {x: of(course.east, marks), y: of(course.north, marks), customdata: of(course.frame, marks), text: of(label, marks), mode: "markers", name: "troubled frames",
      marker: {size: 13, symbol: "diamond-open", color: colour("bad"), line: {width: 2}}, hovertemplate: "%{text}<extra></extra>"},
  ], layout({dragmode: coarse ? false : "zoom", showlegend: marks.length > 0, xaxis: axis("metres east"), yaxis: axis("metres north", {scaleanchor: "x", scaleratio: 1})}),
  {responsive: true, displayModeBar: false});
  listen($("map"));
}
function draw() { drawCharts(); drawMap(); }

// --- contact sheet ---------------------------------------------------------------------------------------
function fillSheet(side) {
  const sheet = $("contact-sheet"), troubled = new Set(page.findings.filter(finding => finding.marked).flatMap(finding => finding.frames));
  sheet.replaceChildren(...page.frames.map(row => {
    const shown = picture(side, row.frame), button = document.createElement("button");
    button.type = "button";
    button.classList.toggle("troubled", troubled.has(row.frame) || row.why !== null);
    if (shown) {
      const image = new Image();
      image.src = uri(shown);
      image.alt = `frame ${row.frame}, ${row.file}`;
      image.decoding = "async";
      button.append(image);
    } else {
      button.append(cell("span", row.why ?? "not in the video", "missing"));
    }
    button.append(cell("span", `${row.frame}${button.classList.contains("troubled") ? " !" : ""}`, "label"));
    button.title = row.file;
    button.addEventListener("click", () => jump(row.frame));
    return button;
  }));
  sheet.children[chosen]?.classList.add("chosen");
  $("sheet-before").setAttribute("aria-pressed", String(side === "before"));
  $("sheet-after").setAttribute("aria-pressed", String(side === "after"));
}

if (page.frames.length) {
  draw();
  whenColoursChange(draw);
  window.addEventListener("resize", moveCursors);
  for (const side of ["before", "after"]) { $("sheet-" + side).addEventListener("click", () => fillSheet(side)); }
  fillSheet("before");
  $("scrub").addEventListener("input", event => select(Number(event.target.value)));
  $("back").addEventListener("click", () => select(chosen - 1));
  $("on").addEventListener("click", () => select(chosen + 1));
  for (const button of document.querySelectorAll(".to-frame")) {
    const frame = Number(button.dataset.frame), shown = picture("before", frame);
    if (shown) { button.querySelector("img").src = uri(shown); }
    button.addEventListener("click", () => jump(frame));
  }
  select(chosen);
}
