// Sending by hand, and the list of what was sent.
import { ask } from "./connection.js";
import { linesOf, make, wallTime, width } from "./formatting.js";

const SHOWN = 200;
const SHOW_EVERY_MS = 100;
const WORDS = { done: "✓ out", refused: "✗ refused", unconfirmed: "? not confirmed", stopped: "✗ stopped" };

export class Sending {
  constructor(path) {
    this.path = path;
    this.rows = new Map();
    this.waiting = [];
    this.answer = document.getElementById("send-state");
    this.code = document.getElementById("code");
    document.getElementById("by-code").addEventListener("submit", (event) => {
      event.preventDefault();
      this.sendCode(event.submitter?.value === "stay");
    });
    this.code.addEventListener("input", () => this.showBits());
    const bits = document.getElementById("by-line");
    for (let line = 7; line >= 0; line--) {
      const button = make("button", { type: "button", "aria-pressed": "false", "data-line": line }, `line ${line}`);
      button.addEventListener("click", () => {
        this.code.value = String((Number(this.code.value) || 0) ^ (1 << line));
        this.showBits();
      });
      bits.append(button);
    }
    this.showBits();
    document.getElementById("sequence").addEventListener("submit", (event) => {
      event.preventDefault();
      this.play();
    });
    document.getElementById("idle-now").addEventListener("click", () => this.send("idle", {}, "The lines are at idle."));
  }

  events(plan) {
    const box = document.getElementById("events");
    box.replaceChildren();
    if (plan === null) {
      box.append(make("p", { class: "quiet" }, "No plan was given: start with --plan FILE to send by name."));
      return;
    }
    for (const event of plan.events) {
      const button = make("button", { type: "button", title: `${width(event.width_us)}, ${linesOf(event.code)}` },
        `${event.name} (${event.code})`);
      button.addEventListener("click", () => this.send("send", { event: event.name }, `'${event.name}' went out.`));
      box.append(button);
    }
  }

  showBits() {
    const code = Number(this.code.value) || 0;
    for (const button of document.querySelectorAll("[data-line]")) {
      button.setAttribute("aria-pressed", String(Boolean((code >> Number(button.dataset.line)) & 1)));
    }
  }

  async send(action, body, done) {
    this.answer.classList.remove("bad");
    this.answer.textContent = "Sent; waiting for the box.";
    try {
      await ask(`${this.path}/${action}`, body);
      this.answer.textContent = done;
    } catch (error) {
      this.answer.classList.add("bad");
      this.answer.textContent = error.message;
    }
  }

  sendCode(stays) {
    const text = this.code.value.trim(), widthText = document.getElementById("width").value.trim().replace(",", ".");
    const code = Number(text), ms = Number(widthText);
    if (!/^\d+$/.test(text) || code > 255) {
      this.tell("The code is a whole number from 1 to 255. Nothing was sent.");
      return;
    }
    if (widthText && !(ms > 0)) {
      this.tell("The width is a number of milliseconds. Nothing was sent.");
      return;
    }
    const body = stays ? { code, stays } : { code, width_us: widthText ? Math.round(ms * 1000) : null };
    this.send("send", body, stays ? `Code ${code} stays on the lines.` : `Code ${code} went out.`);
  }

  tell(text) {
    this.answer.classList.add("bad");
    this.answer.textContent = text;
  }

  play() {
    const steps = [];
    for (const line of document.getElementById("steps").value.split("\n")) {
      if (!line.trim()) continue;
      const parts = line.split(/[,;\t]/).map((part) => Number(part.trim()));
      if (parts.length !== 2 || !Number.isInteger(parts[0]) || !(parts[1] > 0)) {
        this.tell(`'${line}' is not a code and a hold time. Nothing was sent.`);
        return;
      }
      steps.push([parts[0], Math.round(parts[1] * 1000)]);
    }
    const repeats = Number(document.getElementById("repeats").value);
    if (!Number.isInteger(repeats) || repeats < 1) {
      this.tell("Repeats are a whole number from 1 on. Nothing was sent.");
      return;
    }
    this.send("play", { steps, repeats }, ""); // how far it is stands above
  }

  state(state) {
    const run = state.sequence;
    document.getElementById("sequence-state").textContent = run === null ? ""
      : `Sequence: ${run.phase}, ${run.played} of ${run.total} steps.`;
  }

  clear() {
    this.rows.clear();
    this.waiting = [];
    document.getElementById("sent").replaceChildren();
  }

  // The list is brought up to date some times a second: each time the browser lays out the whole table.
  add(news, wallUs) {
    if (!news.rows.length && !news.updates.length) return;
    if (!this.waiting.length) setTimeout(() => this.show(), SHOW_EVERY_MS);
    this.waiting.push([news, wallUs]);
  }

  show() {
    const list = document.getElementById("sent"), made = [];
    for (const [news, wallUs] of this.waiting) {
      for (const row of news.rows) {
        if (this.rows.has(row.id)) continue;
        const shown = rowOf(row, wallUs);
        this.rows.set(row.id, [shown, row]);
        made.unshift(shown);
        if (this.rows.size > 2 * SHOWN) this.rows.delete(this.rows.keys().next().value);
      }
      for (const update of news.updates) {
        const found = this.rows.get(update.id);
        if (!found) continue;
        Object.assign(found[1], update);
        showReadback(...found);
      }
    }
    this.waiting = [];
    list.prepend(...made.slice(0, SHOWN));
    while (list.children.length > SHOWN) list.lastChild.remove();
    document.getElementById("nothing-sent").hidden = this.rows.size > 0;
  }
}

function rowOf(row, wallUs) {
  const remarks = row.remarks.filter((remark) => row.fate === "done" || !remark.text.startsWith("refused")).map((remark) => remark.text);
  const bad = row.fate !== "done" || isOther(row) || row.remarks.some((remark) => remark.severity === "bad");
  return make("tr", {},
    make("td", {}, row.host_us === null ? "" : wallTime(row.host_us, wallUs)),
    make("td", { class: "number", "data-label": "code" }, row.code === null ? "" : String(row.code)),
    make("td", {}, row.name),
    make("td", { class: bad ? "bad full" : "full" }, [bad && row.fate === "done" ? "! out" : WORDS[row.fate] ?? row.fate, ...remarks].join("; ")),
    make("td", { class: "number", "data-label": "width" }, row.stays ? "stays" : width(row.width_us)),
    make("td", { class: isOther(row) ? "bad" : "", "data-label": "readback" }, readback(row)),
    make("td", { "data-label": "by" }, row.sender));
}

const isOther = (row) => Boolean(row.seen_code) && row.seen_code !== row.code;

function showReadback(shown, row) {
  const result = shown.children[3], seen = shown.children[5];
  seen.textContent = readback(row);
  if (!isOther(row)) return;
  seen.className = "bad";
  result.className = "bad full";
  result.textContent = result.textContent.replace(WORDS.done, "! out");
}

function readback(row) {
  if (row.seen_code === undefined) return "";
  if (row.seen_code === row.code) return row.seen_us === null ? "✓ seen" : `✓ ${width(row.seen_us)}`;
  return row.seen_code ? `✗ code ${row.seen_code}` : "? nothing";
}
