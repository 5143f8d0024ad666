// The course of one value in words: now, lowest, highest, where it goes, its limits, its gaps.

import { DIGITS, say } from "./common.js";
import { quantityWords } from "./units.js";
import { timeWords } from "./when.js";

// The mean of the first fifth of the time is held against that of the last fifth.
const SHARE = 5;
const SHORTEST_MS = 60000;

const valueWords = (curve, value) => quantityWords(curve.unit, value, DIGITS[curve.vital]);

export const nameOf = (curve) => say(`vital_${curve.vital}`);

// `etco2_very_high`, told beside the value it limits, is `very high`.
export const limitName = (limit) => limit.name.split("_").slice(1).join(" ");

export function told(curve, limits, data) {
  const known = curve.points.filter(([, value]) => value !== null);
  const [lastAt, last] = known.at(-1);
  const words = (value) => valueWords(curve, value);
  const pick = (better) => known.reduce((one, other) => better(other[1], one[1]) ? other : one);
  const at = ([ms, value]) => say("value_at", { value: words(value), at: timeWords(ms) });
  const fresh = data.to_ms - lastAt <= curve.gap_ms;
  return {
    name: nameOf(curve) + (curve.by === "breath" ? ` (${say("by_breath")})` : ""),
    now: fresh ? words(last) : say("value_last", { value: words(last), at: timeWords(lastAt) }),
    lowest: at(pick((one, other) => one < other)),
    highest: at(pick((one, other) => one > other)),
    course: courseWords(curve, known),
    limits: limits.filter((one) => one.to_ms >= data.to_ms)
      .map((one) => `${limitName(one)} ${words(one.value)}`).join(", ") || say("no_limit"),
    gaps: curve.points.filter(([, value]) => value === null).length + (fresh ? 0 : 1),
  };
}

function courseWords(curve, known) {
  const begins = known[0][0];
  const ends = known.at(-1)[0];
  if (ends - begins < SHORTEST_MS) return say("course_unknown");
  const part = (ends - begins) / SHARE;
  const before = mean(known.filter(([ms]) => ms <= begins + part));
  const after = mean(known.filter(([ms]) => ms >= ends - part));
  const [least, share] = curve.noise;
  if (Math.abs(after - before) <= Math.max(least, share * Math.abs(before))) return say("steady");
  return say("course_from", {
    where: say(after > before ? "rising" : "falling"),
    before: valueWords(curve, before), after: valueWords(curve, after),
  });
}

const mean = (points) => points.reduce((sum, [, value]) => sum + value, 0) / points.length;
