// Before the session: one step after the other, green only when all is.
import { ask } from "./connection.js";
import { plug } from "./connector_fault_picture.js";
import { copyButton, make } from "./formatting.js";
import { KeptEntries } from "./keyed_list_rendering.js";

const SIGNS = { good: "✓ done", untried: "✓ ready, not tried", bad: "✗ not right", open: "○ to do" };

export class Before {
  constructor(path) {
    this.path = path;
    this.shown = "";
    this.plan = null;
    this.error = {};
    document.getElementById("to-during").addEventListener("click", () => document.querySelector("nav [data-view=during]").click());
    this.steps = new KeptEntries(document.getElementById("steps-before"));
  }

  state(state) {
    const text = JSON.stringify([state.preparation, this.error, state.connected]);
    if (text === this.shown) return;
    this.shown = text;
    this.last = state;
    const { ready, steps, progress } = state.preparation;
    const verdict = document.getElementById("ready");
    const left = steps.filter((step) => step.state !== "good").map((step) => step.title);
    verdict.className = `verdict ${ready ? "good" : "open"}`;
    const sentence = ready ? "✓ Ready: all steps are done." : `Not ready, ${left.length} of ${steps.length} steps left: ${left.join(", ")}.`;
    if (verdict.textContent !== sentence) verdict.textContent = sentence;
    document.getElementById("ready-next").hidden = !ready;
    this.steps.show(steps.map((step) => [step.key, [step, step.key === "selftest" && progress, this.error[step.key], this.plan?.name],
      () => this.step(step, progress)]));
  }

  step(step, progress) {
    const item = make("div", {}, make("p", {}, step.text));
    if (step.address) item.append(make("p", {}, make("code", { class: "address" }, step.address), " ", copyButton(step.address, "the byte port")));
    if (step.details.length) item.append(make("ul", {}, ...step.details.map((text) => make("li", {}, text))));
    if (step.test) item.append(plug(step.test.lines));
    if (step.remedy) {
      const open = make("button", { type: "button" }, "Open Settings");
      open.addEventListener("click", () => document.querySelector("nav [data-view=settings]").click());
      item.append(open);
    }
    if (step.key === "selftest") {
      const button = this.button("selftest-run", progress ? "Testing" : "Run the self-test", () => ask(`${this.path}/selftest`, {}), step.key);
      button.disabled = Boolean(progress);
      item.append(button);
      if (progress) item.append(make("p", {}, progress));
    }
    if (step.key === "amplifier") {
      const [name, body] = this.marker();
      item.append(this.button("test-marker", `Send ${name}`, () => ask(`${this.path}/test-marker`, body), step.key));
      if (step.asks) {
        item.append(" ", this.button("seen", "Yes, the amplifier shows it", () => ask(`${this.path}/confirm`, { seen: true }), step.key),
          " ", this.button("not-seen", "No", () => ask(`${this.path}/confirm`, { seen: false }), step.key));
      }
    }
    if (step.key === "signature") {
      const button = this.button("sign", "Send the session signature", () => ask(`${this.path}/sign`, {}), step.key);
      if (step.busy) {
        button.disabled = true;
        button.dataset.busy = "";
      }
      item.append(button);
    }
    if (this.error[step.key]) item.append(make("p", { class: "bad", role: "alert" }, this.error[step.key]));
    return make("li", { class: step.state }, make("h3", {}, make("span", {}, `${SIGNS[step.untried ? "untried" : step.state]}: `), step.title), item);
  }

  marker() {
    const event = this.plan?.events[0];
    return event ? [`'${event.name}' (code ${event.code})`, { event: event.name }] : ["code 1", { code: 1 }];
  }

  button(id, text, action, key) {
    const made = make("button", { type: "button", id }, text);
    made.addEventListener("click", async () => {
      delete this.error[key];
      try {
        await action();
      } catch (error) {
        this.error[key] = error.message;
        this.state(this.last);
      }
    });
    return made;
  }
}
