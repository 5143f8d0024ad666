// One patient: what stands in full, all values, and pressure and CO2 as they come.

import { beginAsking, drawAcknowledge, drawPause, listMoved } from "./asks.js";
import { ageWords, drawMark, drawValues, every, fit, listen, make, oldness, put, readingWords,
  remember, say, unjudgedWords, whoWords } from "./common.js";
import { Strip } from "./strip.js";
import { quantityWords, unitWords } from "./units.js";

const USUAL_DIGITS = { ti: 2, slope: 1, step: 1, tidal_volume: 1, etco2: 0 };

const { ward, place } = document.body.dataset;
const main = document.querySelector("main");
const list = document.getElementById("standing");
const strips = new Map([...document.querySelectorAll("canvas")].map(
  (canvas) => [canvas.dataset.channel, new Strip(canvas)]));
let card = null;
let news = null;
let at = 0;

const since = () => (performance.now() - at) / 1000;

function texts(parent, items) {
  fit(parent, items.length, () => make("li"));
  items.forEach((text, number) => put(parent.children[number], text));
}

function drawAdvisory(item, one, standing) {
  const find = (query) => item.querySelector(query);
  item.firstElementChild.dataset.need = one.priority;
  item.firstElementChild.dataset.id = one.id;
  drawMark(item, one.priority);
  put(find(".priority"), `${say(`priority_${one.priority}`)}.`);
  put(find(".words"), one.says);
  put(find(".because"), one.because);
  texts(find(".looks"), one.look_at);
  texts(find(".causes"), one.may_be.map((cause) => causeWords(cause)));
  find(".may-be").hidden = one.may_be.length === 0;
  const rows = one.evidence.map((evidence) => [evidence.clause, evidence.value, evidence.limit_value]);
  drawRows(find("tbody"), rows);
  put(find(".clears"), say("clears_when", { when: one.clears_when }));
  put(find(".caution"), one.caution);
  find(".caution").hidden = !one.caution;
  texts(find(".doubts"), one.uncertainty);
  put(find(".source"), say("source", { ref: one.source.ref, confidence: one.source.confidence }));
  drawAcknowledge(find(".acknowledge"), one);
  drawFold(find(".whole"), one.outranked_by, standing);
}

// What another explains is folded away; who opens it keeps it open.
function drawFold(whole, by, standing) {
  const explained = Boolean(by);
  const other = standing.find((one) => one.id === by);
  put(whole.firstElementChild, say(other ? "explained" : "explained_other", { title: other?.title }));
  if (whole.dataset.explained === String(explained)) return;
  whole.dataset.explained = String(explained);
  whole.open = !explained;
}

function causeWords(cause) {
  const fits = cause.fits.length ? ` ${say("fits", { what: cause.fits.join(", ") })}` : "";
  const against = cause.against.length ? ` ${say("against", { what: cause.against.join(", ") })}` : "";
  return `${cause.title}: ${cause.look}${fits}${against}`;
}

function drawRows(body, rows) {
  fit(body, rows.length, () => {
    const row = make("tr", make("th"), make("td"), make("td"));
    row.firstElementChild.scope = "row";
    return row;
  });
  rows.forEach((cells, number) => {
    cells.forEach((text, cell) => put(body.children[number].children[cell], shown(text)));
  });
}

const shown = (value) => value === null ? "-"
  : typeof value === "number" ? String(Math.round(value * 1000) / 1000) : String(value);

function drawStanding(standing) {
  const there = new Map([...list.children].map((item) => [item.firstElementChild.dataset.id, item]));
  const wanted = standing.map((one) => there.get(one.id)
    ?? document.getElementById("advisory").content.firstElementChild.cloneNode(true));
  const focused = document.activeElement;
  wanted.forEach((item, number) => {
    drawAdvisory(item, standing[number], standing);
    if (list.children[number] === item) return;
    list.insertBefore(item, list.children[number] ?? null);
    listMoved();
  });
  while (list.children.length > wanted.length) {
    list.lastElementChild.remove();
    listMoved();
  }
  if (focused !== document.activeElement && focused?.isConnected) focused.focus();
  document.getElementById("nothing").hidden = standing.length > 0;
}

// Names with their values, and how old they are.
function drawNamed(part, named, aged) {
  const values = part.querySelector("dl");
  fit(values, named.length, () => make("div", make("dt"), make("dd")));
  named.forEach(([name, value], number) => {
    put(values.children[number].firstElementChild, name);
    put(values.children[number].lastElementChild, value);
  });
  put(part.querySelector(".age"), aged);
}

function drawSettings(settings, later) {
  const part = document.getElementById("confirmed");
  part.hidden = !settings?.values.length;
  if (part.hidden) return;
  const named = settings.values.map((one) =>
    [say(`setting_${one.setting}`), `${one.value} ${unitWords(one.unit)}`]);
  drawNamed(part, named, say(settings.seen_changing ? "settings_age" : "settings_same", {
    changed: ageWords(settings.changed_s + later), age: ageWords(settings.age_s + later),
  }));
}

// What has been learnt of this patient: changes are held against it.
function drawUsual(usual, later) {
  const part = document.getElementById("usual");
  part.hidden = !usual;
  if (part.hidden) return;
  const named = usual.values.map((one) =>
    [say(`usual_${one.name}`), quantityWords(one.unit, one.value, USUAL_DIGITS[one.name])]);
  drawNamed(part, named, say(named.length ? "usual_age" : "usual_learning",
    { age: ageWords(usual.age_s + later) }));
}

const MINUTE_S = 60;
const minutes = (value) => String(Math.max(0, Math.floor(value)));

function supplyLines(supply, later) {
  // What is left of the battery and of the time until the journey runs down on this page too.
  const gone = later / MINUTE_S;
  const lines = [];
  if (supply.supply) lines.push(say(`supply_${supply.supply}`));
  if (supply.minutes === null) lines.push(say("battery_unknown", { why: supply.why_unknown }));
  else {
    const used = supply.supply === "battery" ? gone : 0;
    lines.push(say(used || supply.supply === "battery" ? "battery_left" : "battery_left_mains", {
      minutes: minutes(supply.minutes - used), low: minutes(supply.low - used),
      high: minutes(supply.high - used),
    }));
  }
  if (supply.doubt) lines.push(say("battery_doubt", { why: supply.doubt }));
  if (supply.to === null) return lines;
  const leaves = supply.leaves_in - gone;
  lines.push(say(leaves > 0 ? "journey_leaves" : "journey_under_way",
    { to: supply.to, minutes: minutes(Math.abs(leaves)) }));
  lines.push(say("journey_needs", { minutes: String(Math.ceil(supply.needed)) }));
  if (supply.spare !== null) {
    const key = supply.spare < 0 ? "journey_short" : supply.spare_low < 0 ? "journey_tight" : "journey_enough";
    lines.push(say(key, { minutes: minutes(Math.abs(supply.spare)), low: minutes(Math.abs(supply.spare_low)) }));
  }
  return lines;
}

function drawSupply(supply, later) {
  const part = document.getElementById("supply");
  part.hidden = !supply;
  if (supply) texts(part.querySelector("ul"), supplyLines(supply, later));
}

function age() {
  if (card === null) return;
  const seconds = card.age_s === null ? null : card.age_s + since();
  main.dataset.old = oldness(seconds);
  put(document.getElementById("age"), readingWords(seconds));
  drawValues(document.getElementById("values"), card.values, since());
  put(document.getElementById("unjudged"), unjudgedWords(card, since()));
  drawPause(news.paused, Math.max(0, card.paused_s - since()));
  drawSettings(news.settings, since());
  drawUsual(news.usual, since());
  drawSupply(news.supply, since());
  card.standing.forEach((one, number) => {
    const item = list.children[number];
    if (item) put(item.querySelector(".since"), say("for", { age: ageWords(one.age_s + since()) }));
  });
}

remember(["co2"], age);
listen(`live/${ward}/${place}`, (told) => {
  if (told.card) {
    news = told;
    card = told.card;
    at = performance.now();
    put(document.getElementById("who"), whoWords(card));
    put(document.getElementById("mode"), card.mode ? say(`mode_${card.mode}`) : "");
    const look = document.getElementById("look");
    look.hidden = !card.look;
    put(look, card.look ? `${say("look_first")}: ${card.look}` : "");
    drawStanding(told.standing);
    age();
  }
  for (const wave of told.waves) strips.get(wave.channel)?.add(wave);
});
every(age);
strips.forEach((strip) => strip.run());
beginAsking();
