// Puts the views together, and hands each what the program tells.
import { After } from "./after.js";
import { Before } from "./before.js";
import { BoxesView } from "./boxes.js";
import { ask, listen } from "./connection.js";
import { During } from "./during.js";
import { Sending } from "./sending.js";
import { SettingsForm } from "./settings.js";
import { Teaching } from "./teaching.js";
import { Traces } from "./traces.js";
import { heldText, make, save, span, wallTime } from "./formatting.js";

// Several boxes may be on the page; a window shows one of them.
const BOX = sessionStorage.getItem("box") ?? "1";
const path = `/api/box/${BOX}`;
const element = (id) => document.getElementById(id);
const traces = new Traces(element("traces"), (text) => { element("readout").textContent = text; });
const sending = new Sending(path);
const before = new Before(path);
const during = new During(path);
const settings = new SettingsForm(path);
const teaching = new Teaching(path);
const boxes = new BoxesView(BOX, chooseBox);
new After();
const navigation = [...document.querySelectorAll("nav button")];
const SILENT_MS = 5000;
const WITHOUT_BOX = ["after", "boxes"]; // views that need none
let plan = null, wallUs = 0, last = null, seen = false;
let toldAt = 0;
let lost = ""; // why nothing is known now; empty while the program tells

const nameOf = (one) => (one.name ? `${one.name}, ${one.board} ${one.serial}` : `${one.board} ${one.serial}`);
const isShown = (view) => !document.querySelector(`main > section[data-view=${view}]`).hidden;

function show(view) {
  for (const section of document.querySelectorAll("main > section")) section.hidden = section.dataset.view !== view;
  for (const button of navigation) {
    if (button.dataset.view === view) button.setAttribute("aria-current", "page"); else button.removeAttribute("aria-current");
  }
  sessionStorage.setItem("view", view);
  if (last) state(last);
  if (lost) unknown();
  boxes.look();
}

function chooseBox(number) {
  sessionStorage.setItem("box", number);
  location.reload();
}

element("box-choice").addEventListener("change", (event) => { if (event.target.value) chooseBox(event.target.value); });

function offerBoxes(states) {
  const numbers = Object.keys(states), select = element("box-choice");
  element("box-choice-label").hidden = numbers.length < (numbers.includes(BOX) ? 2 : 1);
  const names = numbers.map((number) => `${number}: ${states[number].connected ? "" : "✗ gone: "}${nameOf(states[number])}`);
  if (!numbers.includes(BOX)) { // this window goes on with another box only if somebody chooses it
    names.unshift("choose a box");
    numbers.unshift("");
  }
  if (select.dataset.names === names.join()) return;
  select.dataset.names = names.join();
  select.replaceChildren(...numbers.map((number, at) => make("option", { value: number, selected: number === BOX || !number ? "" : null }, names[at])));
}

for (const button of navigation) {
  button.addEventListener("click", () => {
    show(button.dataset.view);
    window.scrollTo(0, 0);
  });
}
const views = navigation.map((button) => button.dataset.view);
show(views.find((view) => view === sessionStorage.getItem("view")) ?? "lines");
// The part of the address behind # holds the token, so a link can't use it.
element("skip").addEventListener("click", (event) => { event.preventDefault(); element("main").focus(); });

function trouble(text) {
  const shown = element("trouble");
  shown.hidden = !text;
  if (shown.textContent !== text) shown.textContent = text;
}

function enable(possible) {
  for (const button of document.querySelectorAll("#idle-now, #by-code button, #events button, #sequence button, #steps-before button:not([data-busy]), #sign-during:not([data-busy]), #save-vcd, #settings-form button, #settings-form input, #settings-form select, #other button, #settings-plan, #settings-factory, #settings-save, #settings-file")) {
    button.disabled = !possible;
  }
}

// What a window says that shows no box: it was taken off, or none is on the page.
function absence(told) {
  const others = Object.keys(told.states).length > 0, off = told.taken_off[BOX];
  if (off) return `${off.text} ${others ? "Choose another box above, or on 'Boxes'." : "No box is on this page any more: open one on 'Boxes'."}`;
  return "No box is on this page, and nothing can be sent. Plug one in: it is offered on 'Boxes'.";
}

function noBox(told) {
  for (const [id, text] of [["box-state", "✗ No box"], ["log-state", ""], ["held-state", ""], ["others-state", ""]]) element(id).textContent = text;
  offerBoxes(told.states);
  enable(false);
  trouble(absence(told));
  // What the other views say of the box is old, a green 'Ready' as well.
  if (!WITHOUT_BOX.some(isShown)) show("boxes");
  boxes.state(told, isShown("boxes"));
}

// The program tells nothing any more: what was right a moment ago may be wrong by now.
function unknown() {
  trouble(lost);
  enable(false);
  for (const [id, text] of [["box-state", "? Box: not known"], ["log-state", "? Log: not known"], ["held-state", ""], ["others-state", ""]]) element(id).textContent = text;
  for (const id of ["ready", "verdict"]) {
    element(id).textContent = "? Not known: the program of this page does not answer";
    element(id).className = "verdict open";
  }
  element("what-to-do").replaceChildren();
  before.shown = during.shown = "";
}

function state(told) {
  last = told;
  const one = told.states[BOX];
  for (const button of navigation) button.disabled = !one && !WITHOUT_BOX.includes(button.dataset.view);
  if (!one) {
    noBox(told);
    return;
  }
  wallUs = told.wall_us;
  traces.idleLevels = one.idle_levels;
  traces.watch(one.probes);
  const called = nameOf(one);
  element("box-state").textContent = one.connected ? `✓ Box: ${called}` : `✗ Box gone: ${called}`;
  element("log-state").textContent = one.log.path ? (one.log.failed ? `✗ Log lacks records: ${one.log.path}` : `✓ Log: ${one.log.path}`) : "✗ No marker log is kept";
  const held = heldText(one.held, wallUs);
  if (element("held-state").textContent !== held) element("held-state").textContent = held;
  if (isShown("before")) before.state(one);
  offerBoxes(told.states);
  const gone = Object.keys(told.states).filter((number) => number !== BOX && !told.states[number].connected);
  const others = gone.length ? `✗ Gone: box ${gone.join(", ")}` : "";
  if (element("others-state").textContent !== others) element("others-state").textContent = others;
  boxes.state(told, isShown("boxes"));
  enable(one.connected && !one.testing);
  trouble(one.connected ? "" : "The box is not connected. Nothing can be sent, and bytes of the byte port are refused. Check its cable; the page follows by itself. A spare is opened on 'Boxes'.");
  sending.state(one);
  if (isShown("during")) during.state(one, plan, wallUs);
  settings.state(one, Object.entries(told.states).filter(([number]) => number !== BOX).map(([number, each]) => [number, nameOf(each)]), isShown("settings"));
  const lessons = Object.fromEntries(Object.entries(told.states).map(([number, each]) => [number, each.lesson]));
  teaching.state(one.lesson, lessons, told.class);
  messages(one.messages);
}

function messages(said) {
  const list = element("messages"), shown = JSON.stringify(said.map((each) => [each.id, each.text]));
  if (list.dataset.shown === shown) return;
  list.dataset.shown = shown;
  list.replaceChildren(...[...said].reverse().map((each) =>
    make("li", { class: each.bad ? "bad" : "" }, `${wallTime(each.host_us, wallUs).slice(0, 8)} ${each.bad ? "! " : ""}${each.text}`)));
  element("no-messages").hidden = said.length > 0;
}

function told(message) {
  let fresh = false;
  lost = "";
  toldAt = performance.now();
  const numbers = Object.keys(message.states ?? {});
  // The first box of this window: a student's, one of another run of the program, or one that was opened by now. From a
  // box that it has shown it never goes to another one by itself, as a code would be sent to the wrong one.
  if (numbers.length && !numbers.includes(BOX) && !seen) {
    chooseBox(numbers[0]);
    return;
  }
  const opened = boxes.opens && !seen && numbers.includes(BOX);
  seen = seen || numbers.includes(BOX);
  if (message.kind === "hello") {
    plan = message.plan;
    boxes.allow(message.adds_boxes);
    traces.names = new Map((plan?.events ?? []).map((event) => [event.code, event.name]));
    traces.clear(message.boxes[BOX]?.epoch ?? 0);
    sending.clear();
    sending.events(plan);
    before.plan = plan;
    before.shown = during.shown = "";
    wallUs = message.wall_us;
  }
  if (BOX in message.boxes) {
    const news = { updates: [], ...message.boxes[BOX] };
    traces.add(news);
    sending.add(news, wallUs);
    during.news(news);
    fresh = news.rows.length > 0;
  }
  if (message.states) state(message);
  if (opened) show("before"); // this window has opened its first box: what comes next
  else if (fresh && last && isShown("during")) during.state(last.states[BOX], plan, wallUs);
}

listen(BOX, told, (text) => {
  lost = text;
  unknown();
});
// While there is a box, the program tells something twice a second.
setInterval(() => {
  if (lost || !last?.states[BOX] || performance.now() - toldAt < SILENT_MS) return;
  lost = "The program 'tallymark page' tells nothing: it, or this computer, is stopped or very busy. What is shown is old. Markers of the byte port are late.";
  unknown();
}, 1000);

function pause(paused) {
  traces.pause(paused);
  element("pause").textContent = paused ? "Go on" : "Pause";
  element("pause").classList.toggle("paused", paused);
}

function zoom(by) {
  traces.zoom(by);
  element("span").textContent = `${span(traces.spanUs)} in view`;
}

element("pause").addEventListener("click", () => pause(!traces.paused));
element("closer").addEventListener("click", () => zoom(-1));
element("farther").addEventListener("click", () => zoom(1));
element("unmark").addEventListener("click", () => { traces.marks = []; element("readout").textContent = "No marks."; });
element("traces").addEventListener("click", () => pause(true));
element("traces").addEventListener("keydown", (event) => {
  const actions = {
    ArrowLeft: () => { traces.step(-1); pause(true); },
    ArrowRight: () => { traces.step(1); pause(true); },
    Enter: () => { if (traces.cursorUs !== null) { traces.mark(traces.cursorUs); pause(true); } },
    "+": () => zoom(-1),
    "-": () => zoom(1),
    " ": () => pause(!traces.paused),
  };
  if (!actions[event.key]) return;
  event.preventDefault();
  actions[event.key]();
});

element("save-vcd").addEventListener("click", async () => {
  try {
    save(await (await ask(`${path}/vcd`)).blob(), "lines.vcd");
  } catch (error) {
    element("readout").textContent = error.message;
  }
});
element("save-png").addEventListener("click", () => element("traces").toBlob((blob) => save(blob, "lines.png")));
zoom(0);
