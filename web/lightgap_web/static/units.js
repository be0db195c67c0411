// Millimetres or inches: the person's choice, kept in this browser, and lengths as they are typed.
// Measured figures are not written here: the server sends them in words for both units.

const KEY = "lightgap.units";
const MM_PER_INCH = 25.4;
const listeners = new Set();

export function units() {
  return localStorage.getItem(KEY) === "inch" ? "inch" : "mm";
}

/** Call back now and whenever the choice changes. */
export function onUnits(listener) {
  listeners.add(listener);
  listener(units());
}

/** Read a typed length as millimetres; NaN when it is none. Knows 240, 240,5, 9 1/2, 9-1/2", 240 mm. */
export function readLength(text, unit = units()) {
  const match = text.trim().toLowerCase().match(/^(.*?)\s*(mm|cm|in|inch|inches|"|″)?$/);
  const own = match[2];
  const number = readNumber(match[1]);
  if (own === "mm") return number;
  if (own === "cm") return number * 10;
  return own || unit === "inch" ? number * MM_PER_INCH : number;
}

/** Read a typed number: a decimal with point or comma, or inches with a fraction. */
export function readNumber(text) {
  const plain = text.trim().replace("−", "-");
  const mixed = plain.match(/^(-?)(?:(\d+)[\s-]+)?(\d+)\s*\/\s*(\d+)$/);
  if (mixed) {
    const value = Number(mixed[2] ?? 0) + Number(mixed[3]) / Number(mixed[4]);
    return mixed[1] ? -value : value;
  }
  const decimal = plain.replace(",", ".");
  return /^-?(\d+\.?\d*|\.\d+)$/.test(decimal) ? Number(decimal) : NaN;
}

/** Write a length for a field: as typed lengths look, not as measured ones. */
export function writeLength(mm, unit = units()) {
  if (unit === "mm") return String(Number(mm.toFixed(3)));
  const inches = mm / MM_PER_INCH;
  const nearest = Math.round(inches * 64);
  if (Math.abs(inches * 64 - nearest) > 0.005) return String(Number(inches.toFixed(4)));
  return fraction(nearest);
}

function fraction(sixtyFourths) {
  const whole = Math.floor(sixtyFourths / 64);
  let [over, under] = [sixtyFourths % 64, 64];
  if (over === 0) return String(whole);
  while (over % 2 === 0) [over, under] = [over / 2, under / 2];
  return whole ? `${whole} ${over}/${under}` : `${over}/${under}`;
}

for (const radio of document.querySelectorAll("#units input")) {
  radio.checked = radio.value === units();
  radio.addEventListener("change", () => {
    localStorage.setItem(KEY, radio.value);
    for (const listener of listeners) listener(units());
  });
}
