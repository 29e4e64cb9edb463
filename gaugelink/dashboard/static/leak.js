// Leak-down: the one under way, and the results.
import { byId, el, setText } from "./dom.js";
import { fromKpa, number, rateWithDoubt, withUnit } from "./units.js";
import { bench, leakOf, leaking, standingPrompt, state, unitOf } from "./store.js";
import { send } from "./commands.js";
import { drawBeginning } from "./leakbegin.js";

let chart = null;
let drawn = "";

const perMinute = (kpaPerS, doubtKpaPerS, unit) => rateWithDoubt(60 * kpaPerS, 60 * (doubtKpaPerS ?? 0), unit);

function underWay(one, unit) {
  const { progress } = one;
  const stop = el("button", { type: "button", onclick: () => send({ action: "stop_decay" }) }, "Stop");
  if (!leaking(one)) return el("p", { class: "quiet" }, "No leak-down is under way.");
  if (!progress) return el("div", { class: "under-way" }, el("p", { class: "large" }, leakOf(one)), stop);
  const rate = progress.rate_kpa_per_s === null
    ? "" : `Losing ${perMinute(progress.rate_kpa_per_s, progress.rate_u_kpa_per_s, unit)}`;
  const left = progress.remaining_s === null ? "" : `, ${Math.ceil(progress.remaining_s)} s to go`;
  return el(
    "div", { class: "under-way" },
    el("p", { class: "large" }, `${progress.cylinder ?? progress.gauge}: ${withUnit(progress.pressure_kpa, unit, 1)}`),
    el("p", {}, `${Math.round(progress.elapsed_s)} s${left}. ${rate}`),
    el("p", {}, progress.note),
    stop,
  );
}

function result(decay, unit) {
  const loss = decay.leak_percent !== null
    ? `${decay.leak_percent.toFixed(1)} % ± ${(decay.leak_u_percent ?? 0).toFixed(1)} loss`
    : decay.rate_kpa_per_s !== null
      ? perMinute(decay.rate_kpa_per_s, decay.rate_u_kpa_per_s, unit)
      : "no rate";
  return el(
    "li", {},
    el("p", { class: "large" }, `${decay.cylinder ?? decay.gauge}: ${loss}`),
    el("p", {}, `${number(decay.start_kpa, unit, 1)} to ${withUnit(decay.end_kpa, unit, 1)} in ${Math.round(decay.duration_s)} s. ${decay.text}`),
    decay.doubts.length ? el("p", { class: "quiet" }, `Doubts: ${decay.doubts.join(", ")}`) : null,
  );
}

export function drawLeak() {
  const view = byId("view-leak");
  const one = bench();
  if (view.hidden || one === null) return;
  const unit = unitOf(one.test);
  const prompt = standingPrompt(one);
  const shown = JSON.stringify([one.name, prompt?.text, prompt?.urgency, leaking(one), one.leak, one.progress, [...one.decays.keys()], one.test?.test_id, unit, state.setup.machines.length]);
  if (shown === drawn) return;
  drawn = shown;
  if (!view.hasChildNodes()) {
    view.append(
      el("h2", {}, "Leak-down"), el("p", { id: "leak-prompt", "aria-live": "assertive" }), el("div", { id: "leak-now", "aria-live": "polite" }), el("div", { id: "leak-plot", class: "plot", "aria-hidden": "true" }),
      el("div", { id: "leak-begin" }), el("h3", {}, "Results"), el("ul", { id: "leak-results" }), el("p", { id: "leak-none", class: "quiet" }),
    );
  }
  // What is to be done about the air is said here too: nobody turns to another view to be told to stop.
  setText(byId("leak-prompt"), prompt?.text ?? "");
  byId("leak-prompt").dataset.urgency = prompt?.urgency ?? "know";
  byId("leak-now").replaceChildren(underWay(one, unit));
  drawBeginning(one);
  byId("leak-results").replaceChildren(...[...one.decays.values()].reverse().map((decay) => result(decay, unit)));
  setText(byId("leak-none"), one.decays.size ? "" : "No result since this page's server began to listen.");
  drawDecay(one, unit);
}

function drawDecay(one, unit) {
  const { t, kpa } = one.decaying;
  const box = byId("leak-plot");
  box.hidden = t.length < 2;
  if (box.hidden) return;
  const data = [t, kpa.map((value) => fromKpa(value, unit))];
  if (chart !== null && chart.root.parentElement === box) {
    chart.setData(data);
    return;
  }
  const style = getComputedStyle(document.documentElement);
  const axis = { stroke: style.getPropertyValue("--faint"), grid: { stroke: style.getPropertyValue("--rule"), width: 1 }, font: "13px system-ui, sans-serif" };
  chart = new uPlot(
    { width: Math.max(200, box.clientWidth), height: 240, legend: { show: false }, cursor: { show: false }, scales: { x: { time: false } },
      axes: [axis, axis], series: [{}, { stroke: style.getPropertyValue("--metal"), width: 2 }] },
    data, box,
  );
}
