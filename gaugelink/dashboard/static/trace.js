// The pressure at each gauge, sample by sample, its strokes marked as the cranking events arrive.
import { axisFont, byId, el, letterSize, setText } from "./dom.js";
import { fromKpa, withUnit } from "./units.js";
import { bench, isHeard, unitOf } from "./store.js";
import { drawLevel } from "./engine.js";

const WINDOW_S = 12;
const CHASE_S = 0.25; // Packs come five times a second; the view glides after them.
const plots = new Map();
let ink = {};

export function readInk() {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  ink = { line: colour("--metal"), mark: colour("--ink"), faint: colour("--faint"), rule: colour("--rule") };
  for (const plot of plots.values()) plot.chart.destroy();
  plots.clear();
  byId("traces").replaceChildren();
}

function markStrokes(chart, plot) {
  const { ctx } = chart;
  const [from, to] = [chart.scales.x.min, chart.scales.x.max];
  const size = 6 * devicePixelRatio;
  ctx.save();
  ctx.fillStyle = ink.mark;
  for (const event of bench()?.events.values() ?? []) {
    if (event.gauge !== plot.gauge || event.end_s < from || event.start_s > to) continue;
    for (const stroke of event.strokes) {
      if (stroke.time_s < from || stroke.time_s > to) continue;
      const x = chart.valToPos(stroke.time_s, "x", true);
      const top = chart.valToPos(fromKpa(stroke.peak_kpa, plot.unit), "y", true) - size / 2;
      ctx.beginPath();
      ctx.moveTo(x, top);
      ctx.lineTo(x - size * 0.7, top - size * 1.2);
      ctx.lineTo(x + size * 0.7, top - size * 1.2);
      ctx.fill();
    }
  }
  ctx.restore();
}

function makePlot(gauge, unit, height) {
  const now = el("span", { class: "now" });
  const state = el("span", { class: "heard" });
  const box = el("div", { class: "plot", "aria-hidden": "true" });
  const figure = el("figure", {}, el("figcaption", {}, el("span", {}, gauge), state, now), box);
  byId("traces").append(figure);
  const plot = { gauge, unit, now, state, figure, box, end: null, top: 0, told: 0 };
  const letter = letterSize();
  const axis = { stroke: ink.faint, font: axisFont(), ticks: { show: false }, size: 3.2 * letter };
  plot.chart = new uPlot(
    {
      width: Math.max(120, box.clientWidth),
      height,
      pxAlign: 0,
      legend: { show: false },
      cursor: { show: false },
      padding: [16, 18, 0, 0],
      scales: { x: { time: false, auto: false }, y: { auto: false } },
      axes: [
        {
          ...axis, size: 2 * letter, grid: { show: false },
          splits: (u) => [9, 6, 3, 0].map((ago) => u.scales.x.max - ago),
          values: (u, splits) => splits.map((at) => (at === u.scales.x.max ? "now" : `−${Math.round(u.scales.x.max - at)} s`)),
        },
        { ...axis, grid: { stroke: ink.rule, width: 1 } },
      ],
      series: [{}, { stroke: ink.line, width: 2, points: { show: false } }],
      hooks: { draw: [(chart) => markStrokes(chart, plot)] },
    },
    [[0], [0]],
    box,
  );
  plots.set(gauge, plot);
  // One more beside them changes the width of the others.
  fitAll();
  return plot;
}

function heights(count) {
  const narrow = innerWidth < 700;
  if (count <= 1) return narrow ? 150 : Math.max(110, Math.round(innerHeight * 0.13));
  return narrow ? 110 : Math.max(100, Math.round(innerHeight * 0.11));
}

function fitAll() {
  for (const plot of plots.values()) {
    plot.chart.setSize({ width: Math.max(120, plot.box.clientWidth), height: heights(plots.size) });
  }
}

function drawPlot(plot, trace, passed, unit) {
  const last = trace.t[trace.t.length - 1];
  if (plot.end === null || Math.abs(last - plot.end) > 3) plot.end = last;
  plot.end += (last - plot.end) * (1 - Math.exp(-passed / CHASE_S));
  const from = plot.end - WINDOW_S;
  let begin = trace.t.length;
  let high = 0;
  while (begin > 0 && trace.t[begin - 1] >= from) {
    begin -= 1;
    if (trace.kpa[begin] > high) high = trace.kpa[begin];
  }
  begin = Math.max(0, begin - 1);
  const least = 1.15 * fromKpa(Math.max(high, 400), unit);
  plot.top = least > plot.top ? least : plot.top + (least - plot.top) * (1 - Math.exp(-passed / 1.5));
  const ys = trace.kpa.slice(begin).map((kpa) => fromKpa(kpa, unit));
  plot.chart.batch(() => {
    plot.chart.setData([trace.t.slice(begin), ys], false);
    plot.chart.setScale("y", { min: Math.min(0, -0.02 * plot.top), max: plot.top });
    plot.chart.setScale("x", { min: from, max: plot.end });
  });
}

let before = performance.now();

function frame(at) {
  requestAnimationFrame(frame);
  const passed = Math.min(0.5, (at - before) / 1000);
  before = at;
  const one = bench();
  if (one === null || document.hidden || byId("view-test").hidden) return;
  const unit = unitOf(one.test);
  const names = [...one.traces.keys()];
  for (const [gauge, plot] of plots) {
    if (!one.traces.has(gauge) || plot.unit !== unit) {
      plot.chart.destroy();
      plot.figure.remove();
      plots.delete(gauge);
    }
  }
  let highest = 0;
  for (const gauge of names) {
    const trace = one.traces.get(gauge);
    if (!trace.t.length) continue;
    const plot = plots.get(gauge) ?? makePlot(gauge, unit, heights(names.length));
    const silent = !isHeard(gauge);
    const now = trace.kpa[trace.kpa.length - 1];
    if (!silent && now > highest) highest = now;
    if (!silent || !plot.silent) drawPlot(plot, trace, passed, unit);
    if (at - plot.told > 180 || silent !== plot.silent) {
      plot.told = at;
      plot.silent = silent;
      plot.figure.dataset.silent = String(silent);
      setText(plot.state, silent ? "not heard" : trace.over ? "over its range" : "");
      setText(plot.now, silent ? "–" : withUnit(now, unit));
    }
  }
  drawLevel(one.test, highest);
}

export function runTraces() {
  readInk();
  addEventListener("resize", fitAll);
  requestAnimationFrame(frame);
}
