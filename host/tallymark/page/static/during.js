// During the session: what comes, against the plan, to be read across a room.
import { ask } from "./connection.js";
import { heldText, make, wallTime } from "./formatting.js";
import { KeptEntries } from "./keyed_list_rendering.js";

const called = (marker) => (marker.name ? `${marker.name} (${marker.code})` : `code ${marker.code}`);

// The last one first; those of the readback are known later than others.
const inTime = (problems) => [...problems].sort((one, other) => (other.host_us ?? Infinity) - (one.host_us ?? Infinity) || other.id - one.id);

// A word that is wider than its tile would be broken in two.
function sizeOf(text) {
  const longest = Math.max(...text.split(" ").map((word) => word.length));
  return longest > 10 ? "longer" : longest > 6 || text.length > 10 ? "long" : "";
}

function countRow(name, code, planned, sent, out) {
  let word = "", bad = false;
  if (planned !== null && sent > planned) { word = `✗ ${sent - planned} too many`; bad = true; }
  else if (planned !== null && sent < planned) word = `${planned - sent} to come`;
  else if (planned !== null) word = "✓ all";
  else if (!sent) word = "none yet";
  return make("tr", {}, make("th", { scope: "row" }, name), make("td", { class: "number", "data-label": "code" }, String(code)), make("td", { class: "number", "data-label": "planned" }, planned === null ? "any" : String(planned)),
    make("td", { class: "number", "data-label": "sent" }, String(sent)), make("td", { class: "number", "data-label": "went out" }, String(out)), make("td", { class: bad ? "bad" : "" }, word));
}

// What is to be done about what is wrong; of problems with markers, the last one of each kind.
function whatToDo({ connected, log, problem_kinds }) {
  const told = [];
  if (!connected) told.push("Plug the box in, and check its cable; the page follows by itself. What is sent meanwhile is refused.", "If it is broken, open a spare on 'Boxes'. It has a byte port of its own: your program needs the new address.");
  if (log.failed) told.push("Free some space on the disk of the marker log. What it lacks is noted in it; the recording can't be checked for that part.");
  if (!log.path) told.push("Without a marker log, the recording can't be checked. End the page, and start it with the name of a file: tallymark page session.log");
  if (log.low && !log.failed) told.push("Free some space on the disk of the marker log before it is full.");
  for (const { count, last, advice } of problem_kinds) {
    told.push(`${count > 1 ? `${count} times, last ` : ""}${called(last)}: ${[last.text, advice].filter(Boolean).join(". ")}`);
  }
  return told;
}

export class During {
  constructor(path) {
    this.shown = "";
    this.last = null;
    this.counts = new KeptEntries(document.getElementById("counts"));
    document.getElementById("sign-during").addEventListener("click", async () => {
      const said = document.getElementById("signature-state");
      said.textContent = "";
      try {
        await ask(`${path}/sign`, {});
      } catch (error) {
        said.textContent = error.message;
      }
    });
    document.getElementById("count-from-now").addEventListener("click", async () => {
      try {
        await ask(`${path}/count-from-now`, {});
      } catch (error) {
        document.getElementById("counted-since").textContent = error.message;
      }
    });
  }

  signature(step) {
    document.getElementById("signature-during").hidden = step === null;
    if (step === null) return;
    const button = document.getElementById("sign-during");
    const word = `${step.state === "good" ? "✓" : step.state === "bad" ? "✗" : "○"} ${step.text}`;
    if (document.getElementById("signature-word").textContent !== word) document.getElementById("signature-word").textContent = word;
    button.toggleAttribute("data-busy", Boolean(step.busy));
    if (step.busy) button.disabled = true;
  }

  news(news) {
    for (const row of news.rows) if (row.code) this.last = row;
  }

  state(state, plan, wallUs) {
    const last = this.last;
    const text = JSON.stringify([state.tally, state.log, state.counts, state.problem_count, state.connected, state.held, state.counted_since_us, state.preparation.signature, last?.id]);
    if (text === this.shown) return;
    this.shown = text;
    const { tally, log } = state;
    const wrong = [];
    if (!state.connected) wrong.push("the box is not connected");
    if (log.failed) wrong.push("the marker log lacks records");
    if (!log.path) wrong.push("no marker log is kept");
    if (log.low) wrong.push("the disk is almost full");
    if (state.problem_count) wrong.push(`${state.problem_count} problem${state.problem_count > 1 ? "s" : ""} with markers`);
    const verdict = document.getElementById("verdict");
    const unseen = `${tally.unseen} marker${tally.unseen > 1 ? "s" : ""}`;
    const { signature } = state.preparation;
    this.signature(signature);
    verdict.className = `verdict ${wrong.length ? "bad" : tally.unseen || signature?.again ? "plain" : "good"}`;
    const word = signature?.again ? "? The session signature is to be sent again, in the next pause" : tally.unseen ? `? The box confirmed all so far, but its readback saw nothing of ${unseen}: is it connected?`
      : tally.out ? "✓ All as it should be so far" : "✓ Waiting for the first marker";
    verdict.textContent = wrong.length ? `✗ Look here: ${wrong.join("; ")}` : word;
    document.getElementById("what-to-do").replaceChildren(...whatToDo(state).map((each) => make("li", {}, each)));
    const free = log.free === null ? "free disk not known" : `${(log.free / 1e9).toFixed(0)} GB free`;
    const figure = (name, value, bad) => make("div", {}, make("dt", {}, name), make("dd", { class: `${bad ? "bad" : ""} ${sizeOf(String(value))}` }, bad ? `✗ ${value}` : String(value)));
    document.getElementById("figures").replaceChildren(
      figure("Last marker", last ? called(last) : "none", false),
      figure("On the lines", state.held ? heldText(state.held, wallUs).replace("Lines held at ", "") : "no held code", false),
      figure("Went out", tally.out, false),
      figure("Other code at the readback", tally.other_code || !tally.unseen ? tally.other_code : `? ${tally.unseen} not seen`, tally.other_code > 0),
      figure("Too close together", tally.too_soon, tally.too_soon > 0),
      figure("Refused", tally.refused, tally.refused > 0),
      figure("Not confirmed", tally.unconfirmed, tally.unconfirmed > 0),
      figure("Not in the plan", plan ? tally.not_in_plan : "no plan", plan !== null && tally.not_in_plan > 0),
      figure("Late bytes", tally.late, tally.late > 0),
      figure("Marker log", log.failed ? `${log.lost} records lost` : log.path ? `on, ${free}` : "off", log.failed || !log.path || log.low));
    document.getElementById("counts-table").hidden = !state.counts.length;
    document.getElementById("no-counts").hidden = state.counts.length > 0;
    this.counts.show(state.counts.map((count) => [count[0], count, () => countRow(...count)]));
    document.getElementById("problems").replaceChildren(...inTime(state.problems).map((each) =>
      make("li", {}, `${each.host_us === null ? "" : `${wallTime(each.host_us, wallUs).slice(0, 8)} `}${called(each)}: ${each.text}`)));
    const since = state.counted_since_us;
    document.getElementById("counted-since").textContent = since === null ? "After a rehearsal: counts and problems begin anew; the marker log keeps all." : `Counted since ${wallTime(since, wallUs).slice(0, 8)}. The marker log keeps all.`;
    document.getElementById("no-problems").hidden = state.problems.length > 0;
  }
}
