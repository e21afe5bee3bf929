// The boxes of the page, and those that are plugged in and could be opened.
import { ask } from "./connection.js";
import { make } from "./formatting.js";
import { KeptEntries } from "./keyed_list_rendering.js";

const LOOK_EVERY_MS = 2000;
const element = (id) => document.getElementById(id);
const called = (name, rest) => (name ? `${name}, ${rest}` : rest);

export class BoxesView {
  // shown: the number of the box that this window shows. choose: shows another one.
  constructor(shown, choose) {
    this.shown = shown;
    this.choose = choose;
    this.open = new KeptEntries(element("boxes-open"));
    this.found = new KeptEntries(element("boxes-found"));
    this.off = new KeptEntries(element("boxes-off"));
    this.looking = false;
    this.opens = false; // whether this window has asked for a box and was not refused
    this.ending = null; // the number of the box of which it is asked whether it is to go
    element("take-off-yes").addEventListener("click", () => this.takeOff(this.ending, true));
    element("take-off-no").addEventListener("click", () => element("take-off").close());
    setInterval(() => this.look(), LOOK_EVERY_MS);
    element("box-form").addEventListener("submit", (event) => { event.preventDefault(); this.add(element("box-where").value); });
  }

  say(text, bad = false) {
    element("boxes-state").textContent = text;
    element("boxes-state").classList.toggle("bad", bad);
  }

  // Whether this window may open boxes: not in a class.
  allow(adds) { document.querySelector("nav [data-view=boxes]").hidden = !adds; }

  state(told, isShown) {
    if (!isShown) return;
    const open = Object.entries(told.states);
    this.open.show(open.map(([number, one]) => {
      const what = [number, one.connected, one.name, one.board, one.serial, one.at, one.port, one.log.path];
      return [number, what, () => this.row(number, one)];
    }));
    element("boxes-open-table").hidden = !open.length;
    element("boxes-no-open").hidden = open.length > 0;
    this.off.show(Object.entries(told.taken_off).reverse().map(([number, one]) => [number, one, () => make("li", { class: one.good ? "" : "bad" }, one.text)]));
    element("boxes-off-part").hidden = !Object.keys(told.taken_off).length;
    element("boxes-waiting").replaceChildren(...told.waiting.map((why) => make("li", {}, `Looked for at the start: ${why}`)));
  }

  row(number, one) {
    const here = number === this.shown;
    const button = make("button", { type: "button", id: `show-box-${number}` }, `Show box ${number}`);
    button.addEventListener("click", () => this.choose(number));
    const off = make("button", { type: "button", id: `take-off-${number}` }, `Take box ${number} off`);
    off.addEventListener("click", () => this.takeOff(number, false));
    return make("tr", {}, make("th", { scope: "row", "data-label": "box" }, number), make("td", { class: "full" }, called(one.name, `${one.board} ${one.serial}`)),
      make("td", { class: one.connected ? "full" : "bad full" }, one.connected ? `✓ at ${one.at}` : `✗ gone from ${one.at}. Plug it in; the page follows by itself.`),
      make("td", {}, here ? "shown here" : button), make("td", {}, off), make("td", { class: "full", "data-label": "byte port:" }, make("code", {}, one.port)), make("td", { class: "full", "data-label": "marker log:" }, one.log.path || "none is kept"));
  }

  // Asks first where something would end that can't be taken up again.
  async takeOff(number, sure) {
    element("take-off").close();
    this.say(`Taking box ${number} off.`);
    try {
      const { ends } = await (await ask(`/api/boxes/${number}/take-off`, { sure })).json();
      if (!ends.length) {
        this.say(`✓ Box ${number} is off this page.`);
        element("boxes-title").focus();
        this.look();
        return;
      }
      this.say("");
      this.ending = number;
      element("take-off-title").textContent = `Take box ${number} off this page?`;
      element("take-off-ends").replaceChildren(...ends.map((one) => make("li", {}, one)));
      element("take-off-yes").textContent = `Take box ${number} off`;
      element("take-off").showModal();
    } catch (error) {
      this.say(error.message, true);
    }
  }

  // What is plugged in is looked for only while somebody looks, as each look takes the program some time.
  async look() {
    if (this.looking || document.hidden || document.querySelector("section[data-view=boxes]").hidden) return;
    this.looking = true;
    try {
      const found = await (await ask("/api/boxes")).json();
      element("boxes-none").hidden = found.length > 0;
      this.found.show(found.map((one) => [one.port, one, () => this.offer(one)]));
    } catch { /* the page says by itself that there is no connection */ }
    this.looking = false;
  }

  offer(one) {
    const button = make("button", { type: "button", id: `open-${one.port}` }, `Open the box at ${one.port}`);
    button.addEventListener("click", () => this.add(one.port, button));
    return make("li", {}, make("p", {}, make("strong", {}, called(one.name, `${one.description} ${one.serial}`.trim())), ` at ${one.port}`),
      one.certain ? "" : make("p", {}, "! A box was in this socket, but its USB chip has no number: another device may be there by now. Open it only if it is the box."),
      button);
  }

  async add(where, button = null) {
    this.say("Opening it.");
    this.opens = true;
    if (button) button.disabled = true;
    try {
      const { number } = await (await ask("/api/boxes", { where })).json();
      this.say(`✓ It is box ${number} on this page, with a byte port and a marker log of its own. Next: show it, and go through 'Before the session'.`);
      element("box-where").value = "";
      element("boxes-title").focus(); // the button that was pressed is gone
    } catch (error) {
      this.opens = false;
      this.say(error.message, true);
    }
    if (button) button.disabled = false;
  }
}
