// After the session: recordings and logs are brought here, and checked one after the other.
import { ask, upload } from "./connection.js";
import { make } from "./formatting.js";
import { KeptEntries } from "./keyed_list_rendering.js";

const named = (log) => log || "the log of this session";
const SIGNS = { good: "✓", bad: "✗", doubt: "?" };

export class After {
  constructor() {
    this.batch = null;
    this.taken = new Set();
    this.jobs = new Map(); // by recording: { log, result, running }
    this.queue = Promise.resolve();
    this.cards = new KeptEntries(document.getElementById("checked"));
    const drop = document.getElementById("drop"), files = document.getElementById("files");
    files.addEventListener("change", () => { this.bring([...files.files]); files.value = ""; });
    for (const name of ["dragover", "drop"]) {
      // Anywhere: a file that misses the place must not replace the page.
      document.addEventListener(name, (event) => event.preventDefault());
    }
    document.querySelector("section[data-view=after]").addEventListener("drop", (event) => this.bring([...event.dataTransfer.files]));
    drop.addEventListener("dragover", () => drop.classList.add("over"));
    for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
    document.getElementById("after-clear").addEventListener("click", () => this.clear());
  }

  say(text) { document.getElementById("after-state").textContent = text; }

  clear() {
    this.batch = null;
    this.taken.clear();
    this.jobs.clear();
    document.getElementById("not-taken").replaceChildren();
    this.say("");
    this.show();
    document.getElementById("files").focus();
  }

  // One after the other, so that pairs are made of all that is there.
  bring(files) {
    this.queue = this.queue.then(() => this.take(files)).catch((error) => this.say(error.message));
  }

  async take(files) {
    if (!files.length) return;
    const refused = document.getElementById("not-taken");
    this.batch ??= (await (await ask("/api/checks", {})).json()).batch;
    for (const [at, file] of files.entries()) {
      this.say(`Taking file ${at + 1} of ${files.length}: ${file.name}`);
      try {
        await upload(`/api/checks/${this.batch}/file?name=${encodeURIComponent(file.name)}`, file);
        this.taken.add(file.name);
      } catch (error) {
        refused.append(make("li", {}, error.message));
      }
    }
    const found = await (await ask(`/api/checks/${this.batch}/pairs`)).json();
    this.choices = found.choices;
    for (const name of found.other) refused.append(make("li", {}, `${name} is neither a recording nor a marker log. It is not used.`));
    const waiting = [];
    for (const { recording, log, why } of found.recordings) {
      const job = this.jobs.get(recording);
      // A log that was taken is kept, unless another one is named to be this recording's or the only one.
      if (job && (job.log === log || job.chosen || (log === null && job.log !== null))) continue;
      this.jobs.set(recording, { log, why, before: job?.result ? job.log : null, result: null });
      if (log !== null) waiting.push(recording);
    }
    if (!this.jobs.size) this.say("There is no recording among these files yet. Add it.");
    this.show();
    for (const recording of waiting) await this.check(recording);
  }

  async check(recording) {
    const job = this.jobs.get(recording);
    this.say(`Checking ${recording}`);
    job.running = true;
    this.show();
    try {
      job.result = await (await ask(`/api/checks/${this.batch}/run`, { recording, log: job.log, part: job.part ?? false })).json();
    } catch (error) {
      job.result = { mood: "doubt", title: "Could not be checked", findings: [error.message], counts: [], report: null };
    }
    job.running = false;
    if (this.jobs.get(recording) !== job) return; // removed meanwhile
    const jobs = [...this.jobs.values()], good = jobs.filter((each) => each.result?.mood === "good").length;
    this.say(`${jobs.filter((each) => each.result).length} of ${jobs.length} checked; ${good} ${good === 1 ? "is" : "are"} as ${good === 1 ? "it" : "they"} should be.`);
    this.show();
  }

  show() {
    document.getElementById("after-clear").hidden = !this.batch;
    this.cards.show([...this.jobs].map(([recording, job], at) => [recording, [job, this.choices, at], () => this.card(recording, job, at)]));
  }

  card(recording, job, at) {
    const { result } = job;
    const card = make("li", { class: job.running ? "" : result ? result.mood : "bad" });
    card.append(make("h3", {}, recording));
    const again = (change) => {
      this.jobs.set(recording, { ...job, ...change, result: null });
      this.queue = this.queue.then(() => this.check(recording));
      this.show();
    };
    const select = make("select", { id: `log-of-${at}` });
    if (job.log === null) select.append(make("option", { value: "?" }, "choose"));
    for (const log of this.choices) {
      const option = make("option", { value: `=${log}` }, named(log));
      option.selected = log === job.log;
      select.append(option);
    }
    select.disabled = Boolean(job.running);
    select.addEventListener("change", () => {
      if (select.value === "?") return;
      again({ log: select.value.slice(1), why: "", before: null, chosen: true });
    });
    const part = make("input", { type: "checkbox", id: `part-of-${at}` });
    part.checked = Boolean(job.part);
    part.disabled = Boolean(job.running) || job.log === null;
    part.addEventListener("change", () => again({ part: part.checked }));
    if (this.choices.length) card.append(make("label", {}, "Marker log: ", select));
    if (job.why) {
      const before = job.before === null ? "" : ` Before, it was checked with ${named(job.before)}.`;
      card.append(make("p", { class: "quiet" }, `Log chosen because ${job.why}: ${named(job.log)}.${before}`));
    }
    if (job.running) card.append(make("p", {}, "Checking."));
    else if (result) {
      card.append(make("p", { class: `result ${result.mood}` }, `${SIGNS[result.mood]} ${result.title}`));
      if (result.counts.length) card.append(make("p", {}, result.counts.map(([name, count]) => `${count} ${name}`).join(", ")));
      card.append(make("ul", {}, ...result.findings.map((text) => make("li", {}, text))));
      if (result.report) {
        card.append(make("p", {}, make("a", { href: `/report/${result.report}`, target: "_blank", rel: "noopener" }, `Report on ${recording}`),
          " (in a new tab; save or print it there)"));
      }
    } else if (job.log === null) {
      card.append(make("p", { class: "bad" }, this.choices.length ? "✗ Not checked: no marker log here is named like this recording. Choose its log."
        : "✗ Not checked: there is no marker log. Add the log of its session."));
    } else card.append(make("p", {}, "Waiting."));
    if (job.log !== null) card.append(make("p", {}, make("label", { class: "tick" }, part, " The recording is meant to hold only a part")));
    return card;
  }
}
