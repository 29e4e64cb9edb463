// Pressures travel in kPa; the shop reads its own unit (factors: NIST SP 811, appendix B.8).
const KPA = { Pa: 0.001, kPa: 1, bar: 100, psi: 6.894757293168361, "kgf/cm2": 98.0665, mmHg: 0.133322387415 };
const DECIMALS = { bar: 2, "kgf/cm2": 2 };

export const fromKpa = (kpa, unit) => kpa / (KPA[unit] ?? 1);
export const digits = (unit) => DECIMALS[unit] ?? 0;
// A gauge at rest is a little below nothing half of the time: that is 0, not -0.
export const number = (kpa, unit, more = 0) => fromKpa(kpa, unit).toFixed(digits(unit) + more).replace(/^-(?=[0.]*$)/, "");
// Half an interval: one digit more than a reading where readings are whole.
export const half = (kpa, unit) => number(kpa, unit, digits(unit) ? 0 : 1);
export const withUnit = (kpa, unit, more = 0) => `${number(kpa, unit, more)} ${unit}`;
export const words = (flag) => flag.replaceAll("_", " ");
export const clock = (date) => date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
export const day = (text) => text.slice(0, 10);
