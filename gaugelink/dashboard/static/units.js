// Pressures travel in kPa; the shop reads its own unit (factors: NIST SP 811, appendix B.8).
const KPA = { Pa: 0.001, kPa: 1, bar: 100, psi: 6.894757293168361, "kgf/cm2": 98.0665, mmHg: 0.133322387415 };
const DECIMALS = { bar: 2, "kgf/cm2": 2 };

export const fromKpa = (kpa, unit) => kpa / (KPA[unit] ?? 1);
export const digits = (unit) => DECIMALS[unit] ?? 0;
// A gauge at rest is a little below nothing half of the time: that is 0, not -0.
const written = (value, place) => value.toFixed(place).replace(/^-(?=[0.]*$)/, "");
export const number = (kpa, unit, more = 0) => written(fromKpa(kpa, unit), digits(unit) + more);
// A pressure and its uncertainty, as everywhere in the house (PressureUnit.with_doubt): the uncertainty has one digit
// more than whole readings but no more than two that count, and the pressure none beyond its place. Differences are fine.
export const withDoubt = (kpa, doubtKpa, unit, fine = false) => {
  const finest = Math.max(digits(unit), 1);
  let place = finest;
  while (Math.abs(fromKpa(doubtKpa, unit)) * 10 ** place >= 99.5) place -= 1;
  const tens = 10 ** Math.max(0, -place);
  const rounded = (value, most) =>
    tens > 1 ? written(Math.round(value / tens) * tens, 0) : written(value, Math.min(place, most));
  return [rounded(fromKpa(kpa, unit), fine ? finest : digits(unit)), rounded(fromKpa(doubtKpa, unit), finest)];
};
export const withUnit = (kpa, unit, more = 0) => `${number(kpa, unit, more)} ${unit}`;
export const words = (flag) => flag.replaceAll("_", " ");
export const clock = (date) => date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
export const day = (text) => text.slice(0, 10);
