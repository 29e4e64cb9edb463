// Makes elements. Text always goes in as text, so nothing that a broker says can become markup.
const SVG = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

export function el(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "onclick") element.addEventListener("click", value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

// Where the focus goes when what had it is gone, and where the first link of the page leads: who works from the keyboard
// goes on from what is to be done in the view that is open.
export function toPrompt(options = { preventScroll: true }) {
  [byId("prompt"), byId("leak-prompt"), byId("view-history")].find((part) => part?.checkVisibility())?.focus(options);
}

// Letters of a drawing grow with those of the page, which somebody may have chosen larger (WCAG 2.2, 1.4.4).
export const letterSize = () => Math.round(0.8 * parseFloat(getComputedStyle(document.documentElement).fontSize));
export const axisFont = () => `${letterSize()}px system-ui, sans-serif`;

export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Each state and each urgency has a shape of its own, so that none is told by colour alone.
const SHAPES = {
  waiting: [["circle", { cx: 12, cy: 12, r: 8.5, fill: "none" }]],
  in_progress: [
    ["circle", { cx: 12, cy: 12, r: 8.5, fill: "none" }],
    ["path", { d: "M12 3.5A8.5 8.5 0 0 0 12 20.5Z", fill: "currentColor" }],
  ],
  agreed: [["path", { d: "M4 12.5L10 18.5L20.5 5.5", fill: "none" }]],
  odd: [
    ["path", { d: "M12 3L22 20.5H2Z", fill: "none" }],
    ["path", { d: "M12 9.5V14.5M12 16.8V18", fill: "none" }],
  ],
  unsure: [
    ["path", { d: "M12 1.5L22.5 12L12 22.5L1.5 12Z", fill: "none" }],
    ["path", { d: "M9.5 9.5A2.5 2.5 0 1 1 12 12.2V13.5M12 16V17", fill: "none" }],
  ],
  skipped: [
    ["circle", { cx: 12, cy: 12, r: 8.5, fill: "none" }],
    ["path", { d: "M6 18L18 6", fill: "none" }],
  ],
  do: [["path", { d: "M3 12H19M12 4.5L20 12L12 19.5", fill: "none" }]],
  know: [
    ["circle", { cx: 12, cy: 12, r: 9.5, fill: "none" }],
    ["path", { d: "M12 10.5V17.5M12 6.5V7.5", fill: "none" }],
  ],
  ask: [
    ["circle", { cx: 12, cy: 12, r: 10, fill: "none" }],
    ["path", { d: "M8.5 9.5A3.5 3.5 0 1 1 12 13V14.5M12 17.3V18", fill: "none" }],
  ],
  caution: [
    ["path", { d: "M12 2.5L22.5 21H1.5Z", fill: "none" }],
    ["path", { d: "M12 9V14.5M12 16.8V18", fill: "none" }],
  ],
  problem: [
    ["path", { d: "M8 2H16L22 8V16L16 22H8L2 16V8Z", fill: "none" }],
    ["path", { d: "M8 8L16 16M16 8L8 16", fill: "none" }],
  ],
  consistent: [["path", { d: "M4 12.5L10 18.5L20.5 5.5", fill: "none" }]],
  watch: [
    ["path", { d: "M1.5 12Q12 1.5 22.5 12Q12 22.5 1.5 12Z", fill: "none" }],
    ["circle", { cx: 12, cy: 12, r: 3, fill: "currentColor" }],
  ],
  investigate: [
    ["circle", { cx: 10, cy: 10, r: 7, fill: "none" }],
    ["path", { d: "M15 15L22 22", fill: "none" }],
  ],
  retest: [["path", { d: "M19.5 8A8.5 8.5 0 1 0 20.5 13M20 3V8.5H14.5", fill: "none" }]],
};

export function sign(name) {
  const drawing = svg("svg", { viewBox: "0 0 24 24", class: "sign", "aria-hidden": "true", focusable: "false" });
  for (const [tag, attributes] of SHAPES[name] ?? SHAPES.know) drawing.append(svg(tag, attributes));
  return drawing;
}
