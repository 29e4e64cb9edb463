// Sentences of a bench where they end a line, and where a cylinder's name is written from right to left.
const RIGHT_TO_LEFT = /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]/;
const ISOLATE = ["\u2068", "\u2069"]; // Unicode Bidirectional Algorithm (UAX 9), 2.4
const KEPT = "\u00a0"; // A space where no line ends.
const LONGEST_KEPT = 8; // Letters of a name's last word; a longer one with its number has no room in a line of a phone.

const escaped = (name) => name.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

// Names as they stand in a sentence: the longest first, and none within a word or a number, such as 1 in 12.
const named = (names) => `(?<![\\p{L}\\p{N}])(${[...names].sort((one, other) => other.length - one.length).map(escaped).join("|")})(?![\\p{L}\\p{N}])`;

// The cylinders that a sentence names, in its order, each once. A sentence begins with a capital, whatever the name does.
export function namesIn(text, names) {
  const found = names.length ? text.matchAll(new RegExp(named(names), "giu")) : [];
  const told = [...found].map(([word]) => names.find((name) => name === word) ?? names.find((name) => name.toLowerCase() === word.toLowerCase()));
  return [...new Set(told)];
}

// A name and the number that is its own stay in one line: "134, middle" at the beginning of a line gives PTO's reading
// to the middle cylinder. A number of a list that is itself a name may begin a line. A name from right to left does not
// turn round what stands about it.
export function joined(text, names) {
  const units = text.replace(/(\d) (?=(?:psi|kPa|Pa|bar|kgf\/cm2|mmHg|%|rpm)(?!\w))/g, `$1${KEPT}`);
  if (!names.length) return units;
  const followed = new RegExp(`${named(names)}(?:(,?) (?=(\\d+(?:\\.\\d+)?)))?`, "gu");
  return units.replace(followed, (found, name, comma, figure) => {
    const shown = RIGHT_TO_LEFT.test(name) ? ISOLATE.join(name) : name;
    if (comma === undefined) return shown;
    const fits = name.split(" ").pop().length <= LONGEST_KEPT;
    return `${shown}${comma}${(comma && names.includes(figure)) || !fits ? " " : KEPT}`;
  });
}
