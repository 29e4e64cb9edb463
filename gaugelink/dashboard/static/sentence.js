// Sentences of a bench where they end a line, and where a cylinder's name is written from right to left.
const RIGHT_TO_LEFT = /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]/;
const ISOLATE = ["\u2068", "\u2069"]; // Unicode Bidirectional Algorithm (UAX 9), 2.4
const KEPT = "\u00a0"; // A space where no line ends.

const escaped = (name) => name.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

// A name and the number that is its own stay in one line: "134, middle" at the beginning of a line gives PTO's reading
// to the middle cylinder. A number of a list that is itself a name may begin a line. A name from right to left does not
// turn round what stands about it.
export function joined(text, names) {
  const units = text.replace(/(\d) (?=(?:psi|kPa|Pa|bar|kgf\/cm2|mmHg|%|rpm)(?!\w))/g, `$1${KEPT}`);
  const longest = [...names].sort((one, other) => other.length - one.length);
  if (!longest.length) return units;
  const named = new RegExp(`(?<![\\p{L}\\p{N}])(${longest.map(escaped).join("|")})(?![\\p{L}\\p{N}])(?:(,?) (?=(\\d+(?:\\.\\d+)?)))?`, "gu");
  return units.replace(named, (found, name, comma, figure) => {
    const shown = RIGHT_TO_LEFT.test(name) ? ISOLATE.join(name) : name;
    if (comma === undefined) return shown;
    return `${shown}${comma}${comma && names.includes(figure) ? " " : KEPT}`;
  });
}
