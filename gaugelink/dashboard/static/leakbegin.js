// Begins a leak-down: what it will be is told, and what it depends on is asked, before anything begins.
import { byId, el } from "./dom.js";
import { fromKpa, number, toKpa, withUnit } from "./units.js";
import { bench, leaking, machineOf, state, unitOf } from "./store.js";
import { ask, close, send } from "./commands.js";

let picked = null; // The machine of the last test, or one that somebody chose here since.
let pickedFor = null;

const chosen = () => state.setup.machines.find((machine) => machine.id === picked) ?? state.setup.machines[0] ?? null;

function begin(machine, cylinder, gauge, leak) {
  close();
  send({ action: "begin_decay", machine: machine.id, ...(cylinder ? { cylinder } : {}), ...(gauge ? { gauge } : {}), leak });
}

const field = (id, text, control) => el("p", {}, el("label", { for: id }, text), control);

// The bench takes the shop's first gauge where none is named, so one that is alone is not asked for.
function gaugeField(id, text, none) {
  const names = Object.keys(bench()?.gauges ?? {});
  const select = el("select", { id }, none === null ? null : el("option", { value: "" }, none), ...names.map((name) => el("option", {}, name)));
  return [names.length > 1 ? field(id, text, select) : null, () => (names.length > 1 ? select.value : "")];
}

function askDecay(machine, cylinder) {
  const unit = unitOf(bench()?.test);
  const limits = state.setup.leak_tests.decay;
  const { test_kpa: pump, highest_kpa: highest } = limits[0];
  const limit = el(
    "select", { id: "leak-limit" },
    ...limits.map((one) => el("option", { value: one.practice }, `${withUnit(one.loss_kpa, unit, 1)} in ${one.minutes} minutes`)),
  );
  const [gauge, gaugeName] = gaugeField("leak-gauge", "Gauge", null);
  ask(
    cylinder ? `Leak test of cylinder ${cylinder}` : "Leak test of the crankcase",
    el("p", {}, `This begins a leak test on ${machine.name}: the ${cylinder ? "cylinder" : "crankcase"} is sealed, pumped to ` +
      `${withUnit(pump, unit, 1)}, never over ${withUnit(highest, unit, 1)}, and shut off. How fast it loses pressure is measured.`),
    el("p", {}, "The cautions come first."),
    field("leak-limit", "It may lose", limit),
    gauge,
    el("button", { type: "button", class: "wide main", onclick: () => begin(machine, cylinder, gaugeName(), { practice: limit.value }) }, "Begin the leak test"),
  );
}

function askDifferential(machine, cylinder) {
  const unit = unitOf(bench()?.test);
  const { supply_kpa: usual, highest_kpa: highest, orifice_mm: orifices } = state.setup.leak_tests;
  const byBore = orifices[machine.id] ?? null;
  const usually = number(usual, unit, 1);
  const supply = el("input", { id: "leak-supply", type: "number", inputmode: "decimal", step: "any", required: true, value: usually,
    min: fromKpa(1, unit), max: number(highest, unit, 1) });
  const orifice = el("input", { id: "leak-orifice", type: "number", inputmode: "decimal", step: "any", min: 0.1, max: 10, required: byBore === null,
    ...(byBore === null ? {} : { placeholder: String(byBore) }) });
  const hot = el("input", { id: "leak-hot", type: "checkbox" });
  const [gauge, gaugeName] = gaugeField("leak-gauge", "Gauge on the cylinder", null);
  const [other, otherName] = gaugeField("leak-supply-gauge", "Gauge on the regulated side", "none: as stated above");
  const go = () => {
    if (![supply, orifice].every((input) => input.reportValidity())) return;
    begin(machine, cylinder, gaugeName(), {
      kind: "differential", hot: hot.checked,
      ...(supply.value === usually ? {} : { supply_kpa: toKpa(Number(supply.value), unit) }),
      ...(orifice.value ? { orifice_mm: Number(orifice.value) } : {}),
      ...(otherName() ? { supply_gauge: otherName() } : {}),
    });
  };
  ask(
    `Differential test of cylinder ${cylinder}`,
    el("p", {}, `This begins a differential leak test on ${machine.name}: regulated air, never over ${withUnit(highest, unit)}, goes through ` +
      `an orifice into cylinder ${cylinder}, its piston at the top. How much of the pressure is lost is measured.`),
    el("p", {}, "The cautions come first."),
    field("leak-supply", `Regulated pressure, ${unit}`, supply),
    field("leak-orifice", byBore === null ? "Orifice, mm (the engine's record has no bore)" : `Orifice, mm (left empty: ${byBore}, the aviation reference's for this bore)`, orifice),
    el("p", {}, hot, el("label", { for: "leak-hot" }, " The engine is at its working temperature")),
    gauge, other,
    el("button", { type: "button", class: "wide main", onclick: go }, "Begin the differential test"),
  );
}

function choices(machine) {
  const names = machine.cylinders.map((cylinder) => cylinder.name);
  const press = (text, act) => el("button", { type: "button", onclick: act }, text);
  return [
    el("h3", {}, "Leak test: sealed, pumped up, its loss measured"),
    el("div", { class: "row" },
      machine.cycle === 2 ? press("Crankcase…", () => askDecay(machine, null)) : null,
      ...names.map((name) => press(`${name}…`, () => askDecay(machine, name)))),
    el("h3", {}, "Differential test: regulated air through an orifice"),
    el("div", { class: "row" }, ...names.map((name) => press(`${name}, differential…`, () => askDifferential(machine, name)))),
  ];
}

export function drawBeginning(one) {
  const box = byId("leak-begin");
  const { machines, leak_tests: told } = state.setup;
  if (one.test && one.test.test_id !== pickedFor && machineOf(one.test)) [picked, pickedFor] = [one.test.machine, one.test.test_id];
  const machine = chosen();
  const free = !leaking(one) && told !== null;
  const shown = JSON.stringify([free, machine?.id, machines.length]);
  if (box.dataset.shown === shown) return;
  box.dataset.shown = shown;
  if (!free) return box.replaceChildren();
  if (machine === null) return box.replaceChildren(el("p", {}, "The fleet file has no machine."));
  const pick = el("select", { id: "leak-machine" }, ...machines.map(({ id, name }) => el("option", { value: id }, name)));
  pick.value = machine.id;
  pick.addEventListener("change", () => {
    picked = pick.value;
    drawBeginning(bench());
    byId("leak-machine").focus();
  });
  return box.replaceChildren(el("p", { class: "row" }, el("label", { for: "leak-machine" }, "Machine"), pick), ...choices(machine));
}
