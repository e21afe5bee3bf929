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
let plan = null, wallUs = 0, last = null;

const nameOf = (one) => (one.name ? `${one.name}, ${one.board} ${one.serial}` : `${one.board} ${one.serial}`);
const isShown = (view) => !document.querySelector(`main > section[data-view=${view}]`).hidden;

function show(view) {
  for (const section of document.querySelectorAll("main > section")) section.hidden = section.dataset.view !== view;
  for (const button of document.querySelectorAll("nav button")) {
    if (button.dataset.view === view) button.setAttribute("aria-current", "page"); else button.removeAttribute("aria-current");
  }
  sessionStorage.setItem("view", view);
  if (last) state(last);
  boxes.look();
}

function chooseBox(number) {
  sessionStorage.setItem("box", number);
  location.reload();
}

element("box-choice").addEventListener("change", (event) => chooseBox(event.target.value));

function offerBoxes(states) {
  const numbers = Object.keys(states), select = element("box-choice");
  element("box-choice-label").hidden = numbers.length < 2;
  const names = numbers.map((number) => `${number}: ${states[number].connected ? "" : "✗ gone: "}${nameOf(states[number])}`);
  if (select.dataset.names === names.join()) return;
  select.dataset.names = names.join();
  select.replaceChildren(...numbers.map((number, at) => make("option", { value: number, selected: number === BOX ? "" : null }, names[at])));
}

for (const button of document.querySelectorAll("nav button")) button.addEventListener("click", () => show(button.dataset.view));
const views = [...document.querySelectorAll("nav button")].map((button) => button.dataset.view);
show(views.find((view) => view === sessionStorage.getItem("view")) ?? "lines");
// The part of the address behind # holds the token, so a link can't use it.
element("skip").addEventListener("click", (event) => { event.preventDefault(); element("main").focus(); });

function trouble(text) {
  const shown = element("trouble");
  shown.hidden = !text;
  if (shown.textContent !== text) shown.textContent = text;
}

function enable(possible) {
  for (const button of document.querySelectorAll("#idle-now, #by-code button, #events button, #sequence button, #steps-before button:not([data-busy]), #sign-during:not([data-busy]), #save-vcd, #settings-form button, #settings-form input, #settings-form select, #other button")) {
    button.disabled = !possible;
  }
}

function state(told) {
  const one = told.states[BOX];
  wallUs = told.wall_us;
  traces.idleLevels = one.idle_levels;
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
  boxes.state(told.states, isShown("boxes"));
  enable(one.connected && !one.testing);
  trouble(one.connected ? "" : "The box is not connected. Nothing can be sent, and bytes of the byte port are refused. Check its cable; the page follows by itself.");
  sending.state(one);
  if (isShown("during")) during.state(one, plan, wallUs);
  settings.state(one, Object.entries(told.states).filter(([number]) => number !== BOX).map(([number, each]) => [number, nameOf(each)]), isShown("settings"));
  const lessons = Object.fromEntries(Object.entries(told.states).map(([number, each]) => [number, each.lesson]));
  teaching.state(one.lesson, lessons, told.class);
  last = told;
  const texts = one.messages.map((each) => `${wallTime(each.host_us, wallUs).slice(0, 8)} ${each.text}`).reverse();
  const list = element("messages");
  if (list.dataset.shown !== String(one.messages.at(-1)?.id)) {
    list.dataset.shown = String(one.messages.at(-1)?.id);
    list.replaceChildren(...texts.map((text) => make("li", {}, text)));
    element("no-messages").hidden = texts.length > 0;
  }
}

function told(message) {
  let fresh = false;
  if (message.kind === "hello") {
    if (!(BOX in message.boxes)) { // a student's, or one of another run of the program
      sessionStorage.setItem("box", Object.keys(message.boxes)[0]);
      location.reload();
      return;
    }
    plan = message.plan;
    boxes.allow(message.adds_boxes);
    traces.names = new Map((plan?.events ?? []).map((event) => [event.code, event.name]));
    traces.clear(message.boxes[BOX].epoch);
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
  if (BOX in (message.states ?? {})) state(message);
  else if (fresh && last && isShown("during")) during.state(last.states[BOX], plan, wallUs);
}

listen(told, (text) => { trouble(text); enable(false); });

function pause(paused) {
  traces.pause(paused);
  element("pause").textContent = paused ? "Go on" : "Pause";
  element("pause").setAttribute("aria-pressed", String(paused));
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
