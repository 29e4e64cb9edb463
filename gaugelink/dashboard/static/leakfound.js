// Asks where the air of a leak-down goes: of a cylinder by place, of any part in words.
import { el } from "./dom.js";
import { state } from "./store.js";
import { ask, close, send } from "./commands.js";

export function askFound(decay, whose) {
  const places = decay.cylinder === null ? [] : state.setup.leak_tests.places;
  const boxes = places.map(({ place }) => el("input", { type: "checkbox", value: place, checked: decay.heard.includes(place) }));
  const note = el("input", { id: "found-note", type: "text", maxlength: 500, value: decay.found });
  const keep = () => {
    close();
    const heard = boxes.filter((box) => box.checked).map((box) => box.value);
    send({ action: "leak_found", decay_id: decay.decay_id, heard, ...(note.value.trim() ? { note: note.value.trim() } : {}) });
  };
  ask(
    `Where does the air of ${whose} go?`,
    places.length === 0 ? null : el("fieldset", {}, el("legend", {}, "It is heard"),
      ...places.map(({ words }, place) => el("p", {}, el("label", { class: "check" }, boxes[place], ` ${words}`)))),
    el("p", {}, el("label", { for: "found-note" }, "In words"), note),
    el("p", {}, "Keep hands and clothes clear of the crank while there is air in a cylinder; let it off before you unscrew anything."),
    el("button", { type: "button", class: "wide main", onclick: keep }, "Keep it"),
  );
}
