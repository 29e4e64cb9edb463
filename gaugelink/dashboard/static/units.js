// Pressures travel in kPa; the shop reads its own unit (factors: NIST SP 811, appendix B.8).
const KPA = { Pa: 0.001, kPa: 1, bar: 100, psi: 6.894757293168361, "kgf/cm2": 98.0665, mmHg: 0.133322387415 };
const DECIMALS = { bar: 2, "kgf/cm2": 2 };

export const fromKpa = (kpa, unit) => kpa / (KPA[unit] ?? 1);
export const toKpa = (pressure, unit) => pressure * (KPA[unit] ?? 1);
export const digits = (unit) => DECIMALS[unit] ?? 0;
// What lies just between two figures goes to the even one, as in the prompts, on the terminal and in the report. Thirty
// more digits tell that from what only comes near it.
const rounding = (value, place) => {
  const text = value.toFixed(place);
  const between = /50{29}$/.test(value.toFixed(place + 30));
  return between && /[13579]$/.test(text) ? (value - Math.sign(value) * 0.25 * 10 ** -place).toFixed(place) : text;
};
// A gauge at rest is a little below nothing half of the time: that is 0, not -0.
const written = (value, place) => rounding(value, place).replace(/^-(?=[0.]*$)/, "");
export const number = (kpa, unit, more = 0) => written(fromKpa(kpa, unit), digits(unit) + more);
const rounded = (value, place) =>
  place < 0 ? written(Number(written(value / 10 ** -place, 0)) * 10 ** -place, 0) : written(value, place);
// The place to which an uncertainty is written: no more than two of its digits count.
const doubtPlace = (doubt, finest) => {
  let place = finest;
  while (Math.abs(doubt) * 10 ** place >= 99.5) place -= 1;
  return place;
};
// A pressure and its uncertainty, as everywhere in the house (PressureUnit.with_doubt): the uncertainty has one digit
// more than whole readings but no more than two that count, and the pressure none beyond its place. Differences are fine.
export const withDoubt = (kpa, doubtKpa, unit, fine = false) => {
  const [value, doubt] = [fromKpa(kpa, unit), fromKpa(doubtKpa, unit)];
  const finest = Math.max(digits(unit), 1);
  const place = doubtPlace(doubt, finest);
  return [rounded(value, Math.min(place, fine ? finest : digits(unit))), rounded(doubt, place)];
};
// What is far smaller than a reading, a loss a minute for example, has as many digits as its uncertainty asks for.
export const rateWithDoubt = (kpa, doubtKpa, unit) => {
  const [value, doubt] = [fromKpa(kpa, unit), fromKpa(doubtKpa ?? 0, unit)];
  if (doubt === 0) return `${Number(value.toPrecision(3))} ${unit}/min`;
  const place = doubtPlace(doubt, 6);
  return `${rounded(value, place)} ± ${rounded(doubt, place)} ${unit}/min`;
};
export const withUnit = (kpa, unit, more = 0) => `${number(kpa, unit, more)} ${unit}`;
export const words = (flag) => flag.replaceAll("_", " ");
const two = (part) => String(part).padStart(2, "0");
// A time of the day and a day as everywhere in the house, whatever the habits of the country that the browser is set to.
export const clock = (date) => [date.getHours(), date.getMinutes(), date.getSeconds()].map(two).join(":");
// The day by the clock of whoever looks at the page, of a time in UTC, as text or in milliseconds.
export const day = (time) => {
  const at = new Date(time);
  return [at.getFullYear(), at.getMonth() + 1, at.getDate()].map(two).join("-");
};
// What somebody typed as a number: with a point or with a comma, but not with both. NaN where it is none.
export const typed = (text) => (/^\d*[.,]?\d+$/.test(text.trim()) ? Number(text.trim().replace(",", ".")) : NaN);
