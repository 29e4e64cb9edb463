// What the seasons say of the machine whose test is done: a test alone can be even while a cylinder goes down year by year.
import { bench, state } from "./store.js";

let asked = "";
let told = null;

// What is looked up: nothing before the test is done, and nothing for what is in no trend.
function wanted(test) {
  if (!test || !state.setup.record || test.kind !== "dry" || !["done", "finished"].includes(test.phase)) return "";
  return JSON.stringify([test.machine, test.test_id, test.phase, test.cylinders.map((one) => one.pressure_kpa)]);
}

// The sentences of the record and whether any cylinder wears; null until they are there. `redraw` is called when they are.
export function seasonsOf(redraw) {
  const test = bench()?.test;
  const key = wanted(test);
  if (key !== asked) {
    [asked, told] = [key, null];
    if (key) lookUp(key, test.machine, redraw);
  }
  return told;
}

async function lookUp(key, machine, redraw) {
  const answer = await fetch(`/api/machines/${encodeURIComponent(machine)}/history`).catch(() => null);
  const found = answer === null ? { text: "the page's server was not reached" } : await answer.json();
  if (key !== asked) return;
  told = answer?.ok
    ? { says: found.says, wearing: found.trends.filter((one) => one.is_wearing).map((one) => one.cylinder) }
    : { says: [`They could not be looked up: ${found.text}`], wearing: [] };
  redraw();
}
