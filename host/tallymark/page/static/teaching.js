// Teaching: faults in the wiring of a virtual box, to be seen or to be found.
import { ask } from "./connection.js";
import { copyButton, make } from "./formatting.js";
import { KeptEntries } from "./keyed_list_rendering.js";

const KINDS = [["open", 1, "line is open"], ["stuck-high", 1, "line is shorted to the supply"], ["stuck-low", 1, "line is shorted to ground"],
  ["bridged-and", 2, "two lines are bridged; high while both are"], ["bridged-or", 2, "two lines are bridged; high while either is"],
  ["swapped", 2, "two lines are swapped"], ["reversed", 0, "connector is reversed"], ["inverted", 1, "line is inverted"],
  ["inverted ", 0, "all lines are inverted"], ["unplugged", 0, "cable is off"]];
const element = (id) => document.getElementById(id);

// Two rows in which a fault is chosen.
class Chooser {
  constructor(place, name) {
    this.rows = [1, 2].map((number) => {
      const kind = make("select", { "aria-label": `${name} ${number}` }, make("option", { value: "" }, number === 1 ? "choose a fault" : "no second fault"),
        ...KINDS.map(([value, , text]) => make("option", { value }, text)));
      const lines = ["line", "other line"].map((text) => make("select", { "aria-label": `${name} ${number}, ${text}`, hidden: "" },
        ...[0, 1, 2, 3, 4, 5, 6, 7].map((line) => make("option", { value: line }, `line ${line}`))));
      lines[1].value = "1";
      kind.addEventListener("change", () => {
        const count = KINDS.find(([value]) => value === kind.value)?.[1] ?? 0;
        lines.forEach((line, at) => { line.hidden = at >= count; });
      });
      place.append(make("p", { class: "bar" }, kind, ...lines));
      return [kind, lines];
    });
  }

  get() {
    return this.rows.filter(([kind]) => kind.value).map(([kind, lines]) => {
      const chosen = lines.filter((line) => !line.hidden).map((line) => line.value);
      return kind.value.trim() + (chosen.length ? `:${chosen.join(",")}` : "");
    });
  }
}

export class Teaching {
  constructor(path) {
    this.path = path;
    this.students = new KeptEntries(element("class-rows"));
    this.answers = new Chooser(element("answer-faults"), "Answer");
    this.sets = new Chooser(element("set-faults"), "Fault");
    element("answer-form").addEventListener("submit", (event) => { event.preventDefault(); this.doing(`${path}/wiring/answer`, { faults: this.answers.get() }); });
    element("set-form").addEventListener("submit", (event) => { event.preventDefault(); this.doing(`${path}/wiring`, { faults: this.sets.get() }); });
    element("set-none").addEventListener("click", () => this.doing(`${path}/wiring`, { faults: [] }));
    element("hide-one").addEventListener("click", () => this.doing(`${path}/wiring/hide`, { count: 1 }));
    element("hide-two").addEventListener("click", () => this.doing(`${path}/wiring/hide`, { count: 2 }));
    element("show-answer").addEventListener("click", () => this.doing(`${path}/wiring/show`, {}));
    element("class-hide").addEventListener("click", () => this.doing("/api/class/hide", { count: 1, same: false }));
    element("class-same").addEventListener("click", () => this.doing("/api/class/hide", { count: 1, same: true }));
    element("class-show").addEventListener("click", () => this.doing("/api/class/show", {}));
  }

  async doing(path, body) {
    try {
      await ask(path, body);
      element("teaching-state").textContent = "";
    } catch (error) {
      element("teaching-state").textContent = error.message;
    }
  }

  // lesson: of the box that this window shows. all: of every box, for a teacher. addresses: of students.
  state(lesson, all, addresses) {
    document.querySelector("nav [data-view=teaching]").hidden = lesson === null;
    if (lesson === null) return;
    const text = JSON.stringify([lesson, all, addresses]);
    if (text === this.shown) return;
    this.shown = text;
    const several = lesson.count > 1 ? "faults are" : "fault is";
    const left = lesson.answers ? ` ${lesson.answers} answer${lesson.answers > 1 ? "s" : ""} so far.` : "";
    const word = lesson.open ? `○ ${lesson.count} ${several} hidden in the wiring of this box.${left}`
      : lesson.right ? `✓ Found, with ${lesson.answers} answer${lesson.answers > 1 ? "s" : ""}.`
        : lesson.hidden ? "The answer was shown."
          : lesson.count ? `${lesson.count} ${several} set.` : "The wiring is straight: no fault.";
    if (element("lesson").textContent !== word) element("lesson").textContent = word;
    element("lesson").className = `verdict small ${lesson.right ? "good" : lesson.open ? "open" : "plain"}`;
    element("lesson-how").hidden = !lesson.open || lesson.faults.length > 0;
    element("answer-form").hidden = !lesson.open || lesson.faults.length > 0; // the teacher knows it
    element("answer-said").textContent = lesson.said ? `✗ ${lesson.said}` : "";
    element("lesson-faults").replaceChildren(...lesson.faults.map((each) => make("li", {}, make("strong", {}, `${each.what}. `), `Check: ${each.look}.`)));
    element("teacher-only").hidden = !(lesson.open && lesson.faults.length);
    element("setting-faults").hidden = !lesson.may_set;
    element("show-answer").hidden = !(lesson.may_set && lesson.open);
    const numbers = Object.keys(addresses);
    element("class").hidden = numbers.length === 0;
    this.students.show(numbers.map((number) => [number, [all[number], addresses[number]], () => this.row(number, all[number], addresses[number])]));
  }

  row(number, lesson, address) {
    const answers = `${lesson.answers || "no"} answer${lesson.answers === 1 ? "" : "s"}`;
    const word = lesson.open ? `○ looks for it, ${answers}` : lesson.right ? `✓ found, ${answers}` : lesson.hidden ? "answer was shown" : "no task";
    return make("tr", {}, make("th", { scope: "row" }, `Student ${number}`), make("td", { class: "full" }, word),
      make("td", { class: "full", "data-label": "fault:" }, lesson.faults.map((each) => each.what).join("; ") || "none"), make("td", { class: "full", "data-label": "address:" }, make("code", {}, address), copyButton(address, `student ${number}`)));
  }
}
