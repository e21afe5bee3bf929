// Settings: what they mean, what a change would do, and other boxes and files beside them.
import { ask, upload } from "./connection.js";
import { make, save, width } from "./formatting.js";

// A text in which `commands` stand between backquotes.
const withCommands = (text) => text.split("`").map((part, at) => (at % 2 ? make("code", {}, part) : part));
const LEVELS = { wrong: "✗", risk: "!", note: "–" };
const SOON_MS = 150;
const element = (id) => document.getElementById(id);
const isTime = (name) => name.endsWith("_us");
// What the form shows and fills in by itself needs no words.
const remedy = (text) => (/^(Set \w+=|Let the box use)/.test(text) ? "" : text);
const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

export class SettingsForm {
  constructor(path) {
    this.path = path;
    this.form = null; // what the box told
    this.fields = new Map();
    this.asked = 0;
    element("settings-fields").addEventListener("input", () => { this.say(""); this.edited(); });
    element("settings-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.write(event.submitter?.value === "keep");
    });
    element("settings-plan").addEventListener("click", () => { this.say(""); this.fill(this.form.needed); });
    element("settings-factory").addEventListener("click", () => { this.say(""); this.fill({ ...this.form.factory, name: this.form.values.name }); });
    element("settings-reset").addEventListener("click", () => this.load());
    element("settings-save").addEventListener("click", () => this.saveFile());
    element("settings-file").addEventListener("change", () => this.readFile());
    element("other-compare").addEventListener("click", () => this.compare());
    element("other-fill").addEventListener("click", () => this.fillIn());
    element("other-copy").addEventListener("click", () => this.copy());
  }

  say(text, bad = false) {
    element("settings-state").textContent = text;
    element("settings-state").classList.toggle("bad", bad);
  }

  async doing(action) {
    try {
      await action();
    } catch (error) {
      this.say(error.message, true);
    }
  }

  // Of the box, as it changes. others: further boxes on the page.
  state(state, others, shown) {
    element("settings-kept").textContent = state.kept ? "" : "! Not kept: after a restart the box has its kept settings again.";
    const select = element("other-box"), names = others.map(([number, name]) => `${number}: ${name}`).join();
    if (select.dataset.names !== names) {
      select.dataset.names = names;
      select.replaceChildren(...others.map(([number, name]) => make("option", { value: number }, name)));
      element("other-some").hidden = others.length === 0;
      element("other-none").hidden = others.length > 0;
    }
    if (!shown || !state.connected || state.testing || this.loading) return;
    if (this.form !== null && this.form.box_changes === state.box_changes) return;
    if (this.form !== null && this.changes().length) {
      if (this.toldAt !== state.box_changes) this.say("The box was set up or started again meanwhile. 'Back to what the box has' shows it as it is now.", true);
      this.toldAt = state.box_changes;
      return;
    }
    this.load();
  }

  async load() {
    this.loading = true;
    await this.doing(async () => {
      this.form = await (await ask(`${this.path}/settings`)).json();
      this.say("");
      this.build();
      this.fill(this.form.values);
    });
    this.loading = false;
  }

  build() {
    element("settings-none").hidden = true;
    if (this.fields.size) return;
    const rows = [];
    for (const [name, [title, meaning]] of Object.entries(this.form.meanings)) {
      const id = `setting-${name}`, field = this.field(name, id, title);
      this.fields.set(name, field);
      const note = make("p", { class: "note", id: `${id}-note` });
      rows.push(make("div", { class: "setting" },
        name === "lines" ? field.element : make("label", { for: id }, isTime(name) ? `${title}, ms` : title),
        name === "lines" ? "" : field.element, make("p", { class: "quiet", id: `${id}-about` }, ...withCommands(meaning)), note));
    }
    element("settings-fields").replaceChildren(...rows);
  }

  field(name, id, title) {
    const about = { id, "aria-describedby": `${id}-about ${id}-note` };
    if (name === "lines") {
      const boxes = [0, 1, 2, 3, 4, 5, 6, 7].map((line) => make("input", { type: "checkbox", value: line }));
      const all = make("fieldset", about, make("legend", {}, title), make("div", { class: "bits" },
        ...boxes.map((box, line) => make("label", { class: "check" }, box, ` ${line}`))));
      return { element: all, get: () => boxes.filter((box) => box.checked).map((box) => Number(box.value)),
        set: (value) => boxes.forEach((box, line) => { box.checked = value.includes(line); }) };
    }
    if (this.form.choices[name]) {
      const select = make("select", about, ...this.form.choices[name].map((word) => make("option", { value: word }, word)));
      return { element: select, get: () => select.value, set: (value) => { select.value = value; } };
    }
    const input = make("input", { ...about, autocomplete: "off", size: "12", ...(name === "name" ? { maxlength: "16" } : { inputmode: "decimal" }) });
    if (name === "name") return { element: input, get: () => input.value, set: (value) => { input.value = value; } };
    const factor = isTime(name) ? 1000 : 1;
    return {
      element: input,
      get: () => {
        const text = input.value.trim().replace(",", "."), value = Number(text) * factor;
        if (!text || !Number.isFinite(value) || Math.abs(value - Math.round(value)) > 1e-6) throw new Error(`${title} is not a number${isTime(name) ? " of milliseconds" : ""}. Nothing was changed.`);
        return Math.round(value);
      },
      set: (value) => { input.value = String(value / factor); },
    };
  }

  values() { return Object.fromEntries([...this.fields].map(([name, field]) => [name, field.get()])); }

  fill(values) {
    for (const [name, field] of this.fields) field.set(values[name]);
    this.edited();
  }

  word(name, value) {
    if (name === "lines") return value.length ? value.join(", ") : "none";
    if (isTime(name)) return width(value);
    return value === "" ? "none" : String(value);
  }

  changes() {
    let values;
    try { values = this.values(); } catch { return ["?"]; }
    return Object.keys(values).filter((name) => !same(values[name], this.form.values[name]));
  }

  edited() {
    const { form } = this;
    const changes = this.changes();
    for (const [name, field] of this.fields) {
      let value = null;
      try { value = field.get(); } catch { /* told below */ }
      const said = [];
      if (!same(value, form.values[name])) said.push(`Now ${this.word(name, form.values[name])}.`);
      if (form.needed && !same(value, form.needed[name]) && !same(form.needed[name], form.values[name])) said.push(`The plan has ${this.word(name, form.needed[name])}.`);
      else if (form.needed && same(form.needed[name], form.values[name]) && !same(value, form.needed[name]) && ["idle", "lines", "width_us", "gap_us"].includes(name)) said.push("So has the plan.");
      element(`setting-${name}-note`).textContent = said.join(" ");
    }
    element("settings-changes").textContent = changes.length ? `${changes.length} changed here, not in force yet.` : "As in force in the box.";
    element("settings-plan").hidden = form.needed === null;
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.showEffects(), SOON_MS);
  }

  async showEffects() {
    const title = element("effects-title"), list = element("effects"), turn = ++this.asked;
    try {
      const found = await (await ask(`${this.path}/settings/effects`, { values: this.values() })).json();
      if (turn !== this.asked) return;
      title.textContent = found.plan === null ? "No plan was given: start with --plan FILE to see what a change would do to it."
        : found.effects.some((each) => each.level !== "note") ? `✗ With these settings, the plan '${found.plan}' would suffer:` : `✓ With these settings, the plan '${found.plan}' is all right.`;
      title.className = found.effects.some((each) => each.level !== "note") ? "bad" : "";
      const before = this.form.effects.map((each) => each.text);
      list.replaceChildren(...found.effects.map((each) => make("li", {}, `${LEVELS[each.level]} ${before.includes(each.text) ? "" : "New: "}${each.text} ${remedy(each.remedy)}`)));
    } catch (error) {
      if (turn !== this.asked) return;
      title.textContent = `✗ ${error.message}`;
      title.className = "bad";
      list.replaceChildren();
    }
  }

  write(keep) {
    return this.doing(async () => {
      await ask(`${this.path}/settings/write`, { values: this.values(), keep });
      await this.load();
      this.say(keep ? "✓ In force and kept; read back and equal." : "✓ In force until the next restart of the box; read back and equal.");
    });
  }

  saveFile() {
    return this.doing(async () => save(await (await ask(`${this.path}/settings/file`)).blob(), "settings.toml"));
  }

  readFile() {
    const files = element("settings-file"), [file] = files.files;
    files.value = "";
    return this.doing(async () => {
      const found = await (await upload(`${this.path}/settings/read-file`, file)).json();
      this.fill(found.values);
      const changes = this.changes().length;
      const differs = changes ? `${file.name} differs from the box in ${changes} setting${changes > 1 ? "s" : ""}, see the notes. Nothing is in force yet.` : `✓ ${file.name} and the box are equal.`;
      this.say(found.edited ? `${differs} ! Its checksum does not match: it was altered after it was read from a box. Look at each value.` : differs, found.edited);
    });
  }

  compare() {
    const other = element("other-box");
    return this.doing(async () => {
      const one = (await (await ask(`${this.path}/settings`)).json()).values;
      const two = (await (await ask(`/api/box/${other.value}/settings`)).json()).values;
      const names = Object.keys(one).filter((name) => !same(one[name], two[name]));
      const said = element("other-state");
      if (!names.length) { said.replaceChildren(make("p", {}, `✓ Both boxes are equal in all ${Object.keys(one).length} settings.`)); return; }
      said.replaceChildren(make("p", {}, `They differ in ${names.length} setting${names.length > 1 ? "s" : ""}:`), make("table", {},
        make("thead", {}, make("tr", {}, ...["Setting", "This box", other.selectedOptions[0].text].map((text) => make("th", { scope: "col" }, text)))),
        make("tbody", {}, ...names.map((name) => make("tr", {}, make("th", { scope: "row" }, this.form.meanings[name][0]),
          make("td", {}, this.word(name, one[name])), make("td", {}, this.word(name, two[name])))))));
    });
  }

  // As the program read them last, for a box that is gone as well.
  fillIn() {
    const other = element("other-box");
    return this.doing(async () => {
      this.fill((await (await ask(`/api/box/${other.value}/settings/last`)).json()).values);
      const changes = this.changes().length;
      this.say(changes ? `Filled in as ${other.selectedOptions[0].text} has them: ${changes} differ${changes > 1 ? "" : "s"}, see the notes. Nothing is in force yet.` : "✓ Both boxes are equal.");
    });
  }

  copy() {
    const other = element("other-box");
    return this.doing(async () => {
      const one = (await (await ask(`${this.path}/settings`)).json()).values;
      await ask(`/api/box/${other.value}/settings/write`, { values: one, keep: true });
      element("other-state").replaceChildren(make("p", {}, `✓ ${other.selectedOptions[0].text} has the settings of this box: kept, read back and equal.`));
    });
  }
}
