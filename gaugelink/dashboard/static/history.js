// A machine over its tests: each cylinder's trend, what jobs changed, and the reports.
import { axisFont, byId, el, letterSize, setText } from "./dom.js";
import { day, fromKpa, number, withDoubt, withUnit } from "./units.js";
import { bench, machineOf, state, unitOf } from "./store.js";

const COLOURS = ["--line-1", "--line-2", "--line-3", "--line-4", "--line-5", "--line-6"];
const DASHES = [[], [8, 4], [2, 4], [10, 3, 2, 3], [14, 5], [4, 4]];
const LEAST_SPAN = 0.1; // Of the level: a smaller one would draw what is only noise as a fall.
const MOST_OF_A_JOB = 30; // Letters of it beside its line.
const MOST_JOB_LINES = 4;
const JOB_LINE = 1.25; // Height of one, in letters.
let chart = null;
let asked = 0;
let picked = null;
let pickedFor = null;
let followed = "";

function build(view) {
  const pick = el("select", { id: "history-machine" });
  pick.addEventListener("change", () => {
    picked = pick.value;
    load();
  });
  view.append(
    el("h2", {}, "History"),
    el("p", { class: "row" }, el("label", { for: "history-machine" }, "Machine"), pick),
    el("p", { id: "history-why", role: "status" }),
    el("div", { id: "history-plot", class: "plot", "aria-hidden": "true" }),
    el("ul", { id: "history-legend", class: "legend" }),
    el("p", { id: "history-bars", class: "quiet" }),
    el("ul", { id: "history-says" }),
    el("div", { id: "history-tables" }),
  );
}

export function openHistory() {
  const view = byId("view-history");
  if (!view.hasChildNodes()) build(view);
  const test = bench()?.test;
  // Somebody's choice stands until another machine is tested.
  if (test && test.test_id !== pickedFor && machineOf(test)) [picked, pickedFor] = [test.machine, test.test_id];
  const pick = byId("history-machine");
  pick.replaceChildren(...state.setup.machines.map((machine) => el("option", { value: machine.id }, machine.name)));
  if (state.setup.machines.some((machine) => machine.id === picked)) pick.value = picked;
  load();
}

// What a bench tells is in its record already.
export function followHistory(view) {
  const test = bench()?.test;
  const now = JSON.stringify([test?.test_id, test?.phase]);
  if (now === followed) return;
  followed = now;
  if (!view.hidden) openHistory();
}

function nothing(record) {
  if (record.tests.length) return "";
  return record.left_out ? "There is a test of this machine, and it is left out." : "There is no test of this machine yet.";
}

async function load() {
  const turn = (asked += 1);
  const machine = byId("history-machine").value;
  setText(byId("history-why"), machine ? "Reading the record…" : state.setup.known ? "The fleet file has no machine." : "The page is looking for its server.");
  if (!machine) return;
  const answer = await fetch(`/api/machines/${encodeURIComponent(machine)}/history`).catch(() => null);
  const record = answer === null ? { text: "The page's server was not reached." } : await answer.json();
  // An answer may be read whole after a later question was answered.
  if (turn !== asked) return;
  const found = answer?.ok === true;
  setText(byId("history-why"), found ? nothing(record) : record.text);
  draw(found ? record : { tests: [], jobs: [], trends: [], effects: [], says: [], per: "" });
}

function table(caption, head, rows) {
  if (!rows.length) return null;
  return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    el("table", {}, el("caption", {}, caption), el("thead", {}, el("tr", {}, ...head.map((cell) => el("th", { scope: "col" }, cell)))),
      el("tbody", {}, ...rows.map((cells) => el("tr", {}, ...cells.map((cell) => el("td", {}, cell)))))));
}

// What rounds to nothing is +0.0, whichever side it comes from.
const signed = (value) => `${Number(value.toFixed(1)) >= 0 ? "+" : "−"}${Math.abs(value).toFixed(1)}`;

function reports(test) {
  if (test.word === null) return "no reading";
  const link = (form) => el("a", { href: `/api/tests/${encodeURIComponent(test.test_id)}/report.${form}`, download: "" }, form.toUpperCase());
  return el("span", { class: "row" }, link("html"), link("pdf"));
}

function draw(record) {
  const unit = record.display_unit ?? unitOf(bench()?.test);
  const tests = [...record.tests].reverse();
  byId("history-says").replaceChildren(...record.says.map((line) => el("li", {}, line)));
  byId("history-tables").replaceChildren(
    ...[
      table(`Change for each ${record.per}`, ["Cylinder", "Change, %", "Wearing"],
        record.trends.map((trend) => [trend.cylinder, `${signed(trend.percent)}\u00a0±\u00a0${trend.percent_u.toFixed(1)}`, trend.is_wearing ? "yes" : "not by more than chance"])),
      table("Before and after", ["Day", "Job", "Cylinder", "Change, %", "Real"],
        record.effects.map((one) => [day(one.at), one.job, one.cylinder || "mean", `${signed(one.gain_percent)}\u00a0±\u00a0${one.gain_u_percent.toFixed(1)}`, one.is_real ? "yes" : "no more than chance"])),
      table(`Tests, as read, in ${unit}`, ["Day", "Verdict", "Readings", "Spread, %", "Kind", "Report"],
        tests.map((test) => [
          day(test.at), test.given_up ? "given up" : (test.word ?? ""), el("ul", {}, ...Object.entries(test.readings_kpa).map(([name, kpa]) => el("li", {}, `${name} ${number(kpa, unit)}`))),
          test.spread_percent === null ? "" : test.spread_percent.toFixed(1), test.kind, reports(test),
        ])),
    ].filter((one) => one !== null),
  );
  drawSeasons(record, unit);
}

// The axis of the seasons: all that is given, and never less than a tenth of the level.
export function seasonsScale(values) {
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const middle = (low + high) / 2;
  const half = Math.max((high - low) / 2, (LEAST_SPAN / 2) * middle);
  return [middle - 1.1 * half, middle + 1.1 * half];
}

// A line for each job and its words above the readings, in `lines` lines where they lie close, and none past the end.
export function drawJobs(plot, jobs, lines, colour) {
  const { ctx, bbox } = plot;
  const letter = letterSize() * devicePixelRatio;
  const gap = 4 * devicePixelRatio;
  const ends = Array(lines).fill(-Infinity);
  ctx.font = `${letter}px system-ui, sans-serif`;
  ctx.textAlign = "left";
  ctx.fillStyle = colour("--ink");
  for (const [at, job] of jobs) {
    const x = plot.valToPos(at, "x", true);
    if (x < bbox.left || x > bbox.left + bbox.width) continue;
    const text = job.length > MOST_OF_A_JOB ? `${job.slice(0, MOST_OF_A_JOB - 1)}…` : job;
    const width = ctx.measureText(text).width;
    const begin = Math.max(bbox.left, Math.min(x + gap, bbox.left + bbox.width - width));
    const free = ends.findIndex((end) => end + gap <= begin);
    const line = free < 0 ? ends.indexOf(Math.min(...ends)) : free;
    ends[line] = begin + width;
    const foot = bbox.top - gap - JOB_LINE * letter * (lines - 1 - line);
    ctx.fillRect(x, foot - 0.8 * letter, devicePixelRatio, bbox.top + bbox.height - foot + 0.8 * letter);
    ctx.fillText(text, begin, foot);
  }
}

function drawSeasons(record, unit) {
  chart?.destroy();
  chart = null;
  const dry = record.tests.filter((test) => Object.keys(test.sea_level_kpa).length);
  const names = [...new Set(dry.flatMap((test) => Object.keys(test.sea_level_kpa)))];
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const box = byId("history-plot");
  byId("history-legend").replaceChildren();
  setText(byId("history-bars"), "");
  if (dry.length < 2) return;
  const times = dry.map((test) => Date.parse(test.at) / 1000);
  const series = names.map((name, index) => ({
    label: name, stroke: colour(COLOURS[index % COLOURS.length]), width: 2.5, dash: DASHES[index % DASHES.length], points: { show: true, size: 7 }, spanGaps: true,
  }));
  const jobs = record.jobs.map((job) => [Date.parse(job.at) / 1000, [job.job, ...job.cylinders].join(", ")]).sort(([one], [other]) => one - other);
  const axis = { stroke: colour("--faint"), grid: { stroke: colour("--rule"), width: 1 }, font: axisFont() };
  const read = names.map((name) => dry.map((test) => (name in test.sea_level_kpa ? fromKpa(test.sea_level_kpa[name], unit) : null)));
  const doubts = names.map((name) => dry.map((test) => fromKpa(test.sea_level_u_kpa[name] ?? 0, unit)));
  const ends = read.flatMap((row, line) => row.flatMap((value, at) => (value === null ? [] : [value - doubts[line][at], value + doubts[line][at]])));
  const lines = Math.min(MOST_JOB_LINES, jobs.length);
  const above = 18 + Math.ceil(JOB_LINE * letterSize() * lines);
  const marks = (plot) => {
    const { ctx } = plot;
    ctx.save();
    ctx.lineWidth = 1.5 * devicePixelRatio;
    read.forEach((row, line) => row.forEach((value, at) => {
      if (value === null || doubts[line][at] === 0) return;
      const x = plot.valToPos(times[at], "x", true);
      ctx.strokeStyle = colour(COLOURS[line % COLOURS.length]);
      ctx.beginPath();
      ctx.moveTo(x, plot.valToPos(value - doubts[line][at], "y", true));
      ctx.lineTo(x, plot.valToPos(value + doubts[line][at], "y", true));
      ctx.stroke();
    }));
    drawJobs(plot, jobs, lines, colour);
    ctx.restore();
  };
  chart = new uPlot(
    { width: Math.max(240, box.clientWidth), height: 282 + above, legend: { show: false }, cursor: { show: false }, padding: [above, 12, 0, 0],
      scales: { y: { range: seasonsScale(ends) } }, axes: [axis, axis], series: [{}, ...series], hooks: { draw: [marks] } },
    [times, ...read],
    box,
  );
  byId("history-legend").replaceChildren(
    ...names.map((name, index) => el("li", { "data-line": String(index % COLOURS.length) },
      `${name}, at sea level, last ${lastRead(dry, name, unit)}`)),
  );
  const known = doubts.some((row) => row.some((doubt) => doubt > 0));
  setText(byId("history-bars"), known ? "Bars: how far a reading may be off beside the others, about 95 %." : "");
}

// A test need not read every cylinder: then its last reading is of a day before.
function lastRead(dry, name, unit) {
  const test = dry.findLast((one) => name in one.sea_level_kpa);
  const doubt = test.sea_level_u_kpa[name] ?? 0;
  const read = doubt ? `${withDoubt(test.sea_level_kpa[name], doubt, unit).join(" ± ")} ${unit}` : withUnit(test.sea_level_kpa[name], unit);
  return test === dry[dry.length - 1] ? read : `${read}, on ${day(test.at)}`;
}
