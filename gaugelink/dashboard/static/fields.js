// Fields that a dialog asks with.
import { el } from "./dom.js";
import { typed } from "./units.js";

export const field = (id, text, control) => el("p", {}, el("label", { for: id }, text), control);

// A field for a number. One of the kind "number" takes 5,5 for 55 where the browser does not expect a comma, so it is text.
// Where more than so many decimals make no sense they are refused: 5,200 may be meant as thousands.
export function numberField(id, value, { least, most, unit, required = true, placeholder = null, decimals = 9 }) {
  const input = el("input", { id, type: "text", inputmode: "decimal", autocomplete: "off", required, value, placeholder });
  const read = () => (input.value.trim() === "" ? null : typed(input.value));
  const check = () => {
    const found = read();
    const fine = (input.value.split(/[.,]/)[1] ?? "").trim().length <= decimals;
    const right = found === null || (fine && found >= least && found <= most);
    input.setCustomValidity(right ? "" : `A number from ${Number(least.toPrecision(3))} to ${Number(most.toPrecision(4))}${unit && ` ${unit}`}${fine ? "" : `, without a mark for thousands,`} is expected.`);
  };
  input.addEventListener("input", check);
  return [input, read];
}
