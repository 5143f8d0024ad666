// Units as they are read. CO2 is shown in the unit that the reader chose.

export const choices = document.getElementById("choices");

const KPA_PER_MMHG = 0.133322;
const SPELLED = { "mm[Hg]": "mmHg", "cm[H2O]": "cmH2O", "cm[H2O]/s": "cmH2O/s", Cel: "°C" };

const inKpa = (unit) => unit === "mm[Hg]" && choices.elements.co2?.value === "kPa";

export const shownValue = (unit, value) => inKpa(unit) ? value * KPA_PER_MMHG : value;

export const unitWords = (unit) => inKpa(unit) ? "kPa" : SPELLED[unit] ?? unit;

export const numberWords = (unit, value, digits) =>
  shownValue(unit, value).toFixed(inKpa(unit) ? 1 : digits);

export function quantityWords(unit, value, digits) {
  const spelled = unitWords(unit);
  // What is read as one word is not broken.
  return numberWords(unit, value, digits) + (spelled.startsWith("/") ? "" : "\u00a0") + spelled;
}
