// Begins a leak-down: what it will be is told, and what it depends on is asked, before anything begins.
import { byId, el, toPrompt } from "./dom.js";
import { fromKpa, number, toKpa, withUnit } from "./units.js";
import { bench, leaking, machineOf, state, unitOf } from "./store.js";
import { ask, close, send } from "./commands.js";
import { field, numberField } from "./fields.js";

let picked = null; // The machine of the last test, or one that somebody chose here since.
let pickedFor = null;

const chosen = () => state.setup.machines.find((machine) => machine.id === picked) ?? state.setup.machines[0] ?? null;

function begin(machine, cylinder, gauge, leak) {
  close();
  send({ action: "begin_decay", machine: machine.id, ...(cylinder ? { cylinder } : {}), ...(gauge ? { gauge } : {}), leak });
}

// The bench takes the shop's first gauge where none is named, so one that is alone is not asked for.
function gaugeField(id, text, none) {
  const names = Object.keys(bench()?.gauges ?? {});
  const select = el("select", { id }, none === null ? null : el("option", { value: "" }, none), ...names.map((name) => el("option", {}, name)));
  return [names.length > 1 ? field(id, text, select) : null, () => (names.length > 1 ? select.value : "")];
}

function askDecay(machine, cylinder, part) {
  const unit = unitOf(bench()?.test);
  const limits = state.setup.leak_tests.decay;
  const { test_kpa: pump, highest_kpa: highest } = limits[0];
  const limit = el(
    "select", { id: "leak-limit" },
    ...limits.map((one) => el("option", { value: one.practice }, `${withUnit(one.loss_kpa, unit, 1)} in ${one.minutes} minutes`)),
  );
  const [gauge, gaugeName] = gaugeField("leak-gauge", "Gauge", null);
  const usual = cylinder !== null || part === "crankcase";
  const words = cylinder ? `cylinder ${cylinder}` : `the ${part || "part"}`;
  const name = el("input", { id: "leak-part", type: "text", required: true, maxlength: 40, pattern: "[A-Za-z0-9][A-Za-z0-9 _\\-]*", title: "Letters, digits, spaces" });
  const bounds = { least: fromKpa(1, unit), most: fromKpa(500, unit), unit };
  const [upTo, readUpTo] = numberField("leak-pump", number(pump, unit, 1), bounds);
  const [over, readOver] = numberField("leak-highest", number(highest, unit, 1), { ...bounds, most: fromKpa(1500, unit) });
  const own = () => (usual ? {} : { part: part || name.value.trim(), test_kpa: toKpa(readUpTo(), unit), highest_kpa: toKpa(readOver(), unit) });
  const go = () => {
    if (!usual && ![...(part ? [] : [name]), upTo, over].every((input) => input.reportValidity())) return;
    begin(machine, cylinder, gaugeName(), { practice: limit.value, ...own() });
  };
  ask(
    `Leak test of ${words}`,
    el("p", {}, `This begins a leak test on ${machine.name}: ${cylinder ? "the cylinder" : words} is sealed, ` +
      (usual ? `pumped to ${withUnit(pump, unit, 1)}, never over ${withUnit(highest, unit, 1)}, and shut off.` : "pumped up and shut off.") +
      " How fast it loses pressure is measured."),
    el("p", {}, "The cautions come first."),
    ...(usual ? [] : [
      part ? null : field("leak-part", "What is tested", name),
      el("p", {}, "How much it may be given is in the maker's manual, or on its cap."),
      field("leak-pump", `Pump to, ${unit}`, upTo),
      field("leak-highest", `Never over, ${unit}`, over),
    ]),
    field("leak-limit", "It may lose", limit),
    gauge,
    el("button", { type: "button", class: "wide main", onclick: go }, "Begin the leak test"),
  );
}

function askDifferential(machine, cylinder) {
  const unit = unitOf(bench()?.test);
  const { supply_kpa: usual, highest_kpa: highest, orifice_mm: orifices } = state.setup.leak_tests;
  const byBore = orifices[machine.id] ?? null;
  const usually = number(usual, unit, 1);
  const [supply, readSupply] = numberField("leak-supply", usually, { least: fromKpa(1, unit), most: fromKpa(highest, unit), unit });
  const [orifice, readOrifice] = numberField("leak-orifice", "", { least: 0.1, most: 10, unit: "mm", required: byBore === null, placeholder: byBore });
  const hot = el("input", { id: "leak-hot", type: "checkbox" });
  const [gauge, gaugeName] = gaugeField("leak-gauge", "Gauge on the cylinder", null);
  const [other, otherName] = gaugeField("leak-supply-gauge", "Gauge on the regulated side", "none: as stated above");
  const go = () => {
    if (![supply, orifice].every((input) => input.reportValidity())) return;
    begin(machine, cylinder, gaugeName(), {
      kind: "differential", hot: hot.checked,
      ...(supply.value === usually ? {} : { supply_kpa: toKpa(readSupply(), unit) }),
      ...(readOrifice() === null ? {} : { orifice_mm: readOrifice() }),
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
      machine.cycle === 2 ? press("Crankcase…", () => askDecay(machine, null, "crankcase")) : null,
      ...names.map((name) => press(`${name}…`, () => askDecay(machine, name, ""))),
      press("Cooling system…", () => askDecay(machine, null, "cooling system")),
      press("Another part…", () => askDecay(machine, null, ""))),
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
  if (!free) {
    const hadFocus = box.contains(document.activeElement);
    box.replaceChildren();
    return hadFocus && toPrompt();
  }
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
