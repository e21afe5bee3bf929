// The traces of the eight lines and of the probes that are watched, drawn from the times that the box confirmed and captured.
import { duration, linesOf, span } from "./formatting.js";

const KEPT = 120_000;
const DELAY_US = [40_000, 300_000]; // the right edge is that late, so that what comes in late is drawn all the same
const LATE_MOST_US = 500_000; // what is older came with a snapshot
const NARROW = 1.5; // pixels
const SPANS = [1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6, 2e6, 5e6, 1e7, 3e7, 6e7];

function firstAfter(times, time) {
  let low = 0, high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= time) low = middle + 1; else high = middle;
  }
  return low;
}

// Changes that are too close to be told apart are one filled band: so drawing takes no longer than there are pixels.
class Bands {
  constructor() {
    this.found = [];
    this.until = -Infinity; // end of the last change
    this.open = false;
  }

  // Whether a change from one place to another belongs to a band with the one before it.
  takes(from, until) {
    const near = from - this.until < NARROW;
    if (near && this.open) this.found[this.found.length - 1][1] = until;
    else if (near) this.found.push([this.until, until]);
    this.open = near;
    this.until = until;
    return near;
  }

  fill(paint, colour, top, bottom) {
    paint.fillStyle = colour;
    for (const [from, until] of this.found) paint.fillRect(from, top, Math.max(until - from, 1), bottom - top);
  }
}

export class Traces {
  constructor(canvas, said) {
    this.canvas = canvas;
    this.said = said;
    this.spanAt = SPANS.indexOf(5e6);
    this.paused = false;
    this.endUs = 0;
    this.cursorUs = null;
    this.marks = [];
    this.idleLevels = 0;
    this.watched = []; // names of the probes that have a trace
    this.names = new Map();
    this.lateUs = 60_000;
    this.spreadUs = 10_000;
    this.delayUs = 80_000;
    this.colours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.colours());
    this.clear(0);
    canvas.addEventListener("pointermove", (event) => this.point(this.timeAt(event)));
    canvas.addEventListener("pointerleave", () => { this.cursorUs = null; });
    canvas.addEventListener("click", (event) => this.mark(this.nearest(this.timeAt(event))));
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(event.deltaY > 0 ? 1 : -1);
    }, { passive: false });
    requestAnimationFrame(() => this.frame());
  }

  get spanUs() { return SPANS[this.spanAt]; }

  clear(epoch) {
    this.epoch = epoch;
    this.times = []; this.levels = [];
    this.blocks = []; this.blockTimes = [];
    this.probes = new Map(); // by name: its changes, { times, on }
    this.nowUs = null;
    this.marks = [];
  }

  // The probes that the box watches, by name.
  watch(names) {
    if (names.join() === this.watched.join()) return;
    this.watched = names;
    this.canvas.dataset.probes = names.length;
    this.canvas.setAttribute("aria-label", `Traces of the eight lines${names.length ? ` and of the probes ${names.join(", ")}` : ""}`);
  }

  add(news) {
    if (news.epoch !== this.epoch) this.clear(news.epoch);
    if (news.now !== null) {
      const at = performance.now();
      // The clock of the box, followed smoothly.
      const guess = this.nowUs === null ? news.now : this.boxNow();
      const off = news.now - guess;
      this.nowUs = Math.abs(off) > 200_000 ? news.now : guess + off * 0.1;
      this.nowAt = at;
    }
    this.follow(Math.min(news.edges[0]?.[0] ?? Infinity, news.blocks[0]?.[0] ?? Infinity, news.probes[0]?.[0] ?? Infinity));
    for (const [time, name, on] of news.probes) this.see(time, name, on);
    for (const [time, levels] of news.edges) {
      if (this.times.length && time < this.times[this.times.length - 1]) continue;
      this.times.push(time); this.levels.push(levels);
    }
    for (const block of news.blocks) {
      const place = firstAfter(this.blockTimes, block[0]);
      this.blockTimes.splice(place, 0, block[0]);
      this.blocks.splice(place, 0, block);
    }
    if (this.times.length > KEPT) { this.times.splice(0, KEPT / 2); this.levels.splice(0, KEPT / 2); }
    if (this.blocks.length > KEPT) { this.blocks.splice(0, KEPT / 2); this.blockTimes.splice(0, KEPT / 2); }
  }

  see(time, name, on) {
    if (!this.probes.has(name)) this.probes.set(name, { times: [], on: [] });
    const seen = this.probes.get(name);
    if (seen.times.length && time < seen.times[seen.times.length - 1]) return;
    seen.times.push(time); seen.on.push(on);
    if (seen.times.length > KEPT) { seen.times.splice(0, KEPT / 2); seen.on.splice(0, KEPT / 2); }
  }

  // What a probe sees at a time: true, false, or null where that isn't known.
  onAt(name, time) {
    const seen = this.probes.get(name), at = seen ? firstAfter(seen.times, time) - 1 : -1;
    return at < 0 ? null : seen.on[at];
  }

  // How late the oldest of what is new comes: the traces end there, and not before.
  follow(oldestUs) {
    if (this.nowUs === null || oldestUs === Infinity) return;
    const off = this.boxNow() - oldestUs - this.lateUs;
    if (off > LATE_MOST_US) return;
    this.lateUs += off / 16;
    this.spreadUs += (Math.abs(off) - this.spreadUs) / 16;
  }

  colours() {
    const style = getComputedStyle(document.documentElement);
    this.colour = Object.fromEntries(["ground", "ink", "rule", "output", "readback", "quiet", "mark"].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }

  pause(paused) {
    if (paused && !this.paused && this.nowUs !== null) this.endUs = this.boxNow(); // with what came last
    this.paused = paused;
  }

  boxNow() { return this.nowUs + (performance.now() - this.nowAt) * 1000; }

  zoom(by) {
    const middle = this.cursorUs ?? this.endUs - this.spanUs / 2;
    const share = (this.endUs - middle) / this.spanUs;
    this.spanAt = Math.min(Math.max(this.spanAt + by, 0), SPANS.length - 1);
    if (this.paused) this.endUs = middle + share * this.spanUs;
  }

  timeAt(event) {
    const box = this.canvas.getBoundingClientRect();
    const left = this.left();
    return this.endUs - this.spanUs * (1 - (event.clientX - box.left - left) / (box.width - left));
  }

  left() { return 58; }

  // From one mark of the time to the next: a round time, a fifth to a tenth of the span.
  stepUs() {
    const first = Number(String(this.spanUs)[0]);
    return this.spanUs / { 1: 10, 2: 10, 3: 6, 5: 10, 6: 6 }[first];
  }

  // All times at which something changes, near a time.
  changes(from, until) {
    const found = this.times.slice(firstAfter(this.times, from), firstAfter(this.times, until));
    for (let at = Math.max(0, firstAfter(this.blockTimes, from) - 1); at < this.blocks.length && this.blocks[at][0] <= until; at++) {
      for (const time of [this.blocks[at][0], this.endOf(at)]) if (time > from && time <= until) found.push(time);
    }
    for (const name of this.watched) {
      const times = this.probes.get(name)?.times ?? [];
      found.push(...times.slice(firstAfter(times, from), firstAfter(times, until)));
    }
    return found.sort((one, other) => one - other);
  }

  nearest(time) {
    const near = this.spanUs / 40;
    let best = time, off = near;
    for (const change of this.changes(time - near, time + near)) {
      if (Math.abs(change - time) < off) { off = Math.abs(change - time); best = change; }
    }
    return best;
  }

  mark(time) {
    if (this.marks.length === 2) this.marks = [];
    this.marks.push(time);
    this.pause(true);
    this.point(time);
    if (this.marks.length === 2) this.said(`Between the marks: ${duration(Math.abs(this.marks[1] - this.marks[0]))}`);
  }

  // Moves the cursor to the next change, for the keyboard.
  step(direction) {
    this.pause(true);
    const from = this.cursorUs ?? this.endUs;
    const begin = this.endUs - this.spanUs;
    const found = direction < 0 ? this.changes(begin, from - 0.5).pop() : this.changes(from + 0.5, this.endUs)[0];
    if (found === undefined) { this.said("No more edges in view: zoom out."); return; }
    this.point(found);
  }

  // From when on it is known what the lines do: since then this window, or its program, follows them.
  knownFrom() { return Math.min(this.times[0] ?? Infinity, this.blockTimes[0] ?? Infinity); }

  endOf(at) {
    const [, until] = this.blocks[at];
    const next = at + 1 < this.blocks.length ? this.blockTimes[at + 1] : Infinity;
    return Math.min(until ?? Infinity, next);
  }

  point(time) {
    this.cursorUs = time;
    if (time < 0) { this.said("This is before the start of the box."); return; }
    const at = firstAfter(this.blockTimes, time) - 1;
    let output = time < this.knownFrom() ? "output not known" : "output idle";
    if (at >= 0 && time < this.endOf(at) && this.blocks[at][2]) {
      const [, , code, name] = this.blocks[at];
      output = `output code ${code}${name ? ` '${name}'` : ""} (${linesOf(code)})`;
    }
    const edge = firstAfter(this.times, time) - 1;
    let seen = "readback not known";
    if (edge >= 0) {
      const code = this.levels[edge] ^ this.idleLevels;
      const name = this.names.get(code);
      seen = code ? `readback code ${code}${name ? ` '${name}'` : ""} (${linesOf(code)})` : "readback idle";
    }
    const probes = this.watched.map((name) => `; ${name} ${{ true: "on", false: "off" }[this.onAt(name, time)] ?? "not known"}`);
    let text = `Box time ${(time / 1e6).toFixed(6)} s: ${output}; ${seen}${probes.join("")}.`;
    if (this.marks.length === 2) text += ` Between the marks: ${duration(Math.abs(this.marks[1] - this.marks[0]))}.`;
    this.said(text);
  }

  frame() {
    if (this.canvas.clientWidth) this.draw();
    requestAnimationFrame(() => this.frame());
  }

  draw() {
    const { canvas } = this;
    const scale = window.devicePixelRatio || 1;
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
      canvas.width = Math.round(width * scale); canvas.height = Math.round(height * scale);
    }
    const { colour } = this;
    const paint = canvas.getContext("2d", { alpha: false });
    paint.setTransform(scale, 0, 0, scale, 0, 0);
    paint.fillStyle = colour.ground;
    paint.fillRect(0, 0, width, height);
    if (this.nowUs !== null && !this.paused) {
      const wanted = Math.min(Math.max(this.lateUs + 3 * this.spreadUs, DELAY_US[0]), DELAY_US[1]);
      this.delayUs += Math.min(Math.max(wanted - this.delayUs, -1_000), 1_000); // no jerks
      this.endUs = this.boxNow() - this.delayUs;
    }
    const left = this.left(), begin = this.endUs - this.spanUs;
    const x = (time) => left + ((time - begin) / this.spanUs) * (width - left);
    const lane = (height - 22) / (8 + this.watched.length);
    canvas.drawnUntilUs = this.endUs; // what the bench measures
    paint.font = "13px system-ui, sans-serif";
    paint.textBaseline = "middle";
    const first = Math.max(0, firstAfter(this.times, begin) - 1), last = firstAfter(this.times, this.endUs);
    const places = new Float64Array(Math.max(0, last - first));
    for (let at = first; at < last; at++) places[at - first] = Math.max(left, x(this.times[at]));
    const firstBlock = Math.max(0, firstAfter(this.blockTimes, begin) - 1), lastBlock = firstAfter(this.blockTimes, this.endUs);
    const known = Math.max(left, x(this.knownFrom()));
    for (let line = 0; line < 8; line++) {
      const top = line * lane;
      paint.fillStyle = colour.ink;
      paint.fillText(`line ${line}`, 6, top + lane / 2);
      paint.strokeStyle = colour.rule;
      paint.lineWidth = 0.5;
      paint.beginPath(); paint.moveTo(0, top + lane); paint.lineTo(width, top + lane); paint.stroke();
      const high = top + lane * 0.12, middle = top + lane * 0.46, low = top + lane * 0.9, upper = top + lane * 0.6;
      // The output: from what was confirmed.
      const idle = (this.idleLevels >> line) & 1;
      const level = (value) => (value ? high : middle);
      paint.strokeStyle = colour.output; paint.lineWidth = 2.5;
      let bands = new Bands();
      paint.beginPath(); paint.moveTo(known, level(idle));
      for (let at = firstBlock; at < lastBlock; at++) {
        const bit = (this.blocks[at][2] >> line) & 1;
        if (!bit) continue;
        const from = Math.max(left, x(this.blocks[at][0])), until = Math.min(width, x(Math.min(this.endOf(at), this.endUs)));
        if (until < left) continue;
        if (until - from < NARROW && bands.takes(from, Math.max(until, from))) continue;
        paint.lineTo(from, level(idle)); paint.lineTo(from, level(1 - idle));
        paint.lineTo(Math.max(until, from), level(1 - idle)); paint.lineTo(Math.max(until, from), level(idle));
      }
      if (known < width) paint.lineTo(width, level(idle));
      paint.stroke();
      bands.fill(paint, colour.output, high, middle);
      // The readback: from what was captured.
      if (last === 0) continue;
      const seen = (value) => (value ? upper : low);
      paint.strokeStyle = colour.readback; paint.lineWidth = 1.4;
      paint.beginPath();
      bands = new Bands();
      let bit = (this.levels[first] >> line) & 1;
      paint.moveTo(places[0], seen(bit));
      for (let at = first + 1; at < last; at++) {
        const next = (this.levels[at] >> line) & 1;
        if (next === bit) continue;
        const place = places[at - first], from = bands.until;
        const leaves = bands.open;
        bit = next;
        if (bands.takes(place, place)) continue;
        if (leaves) paint.moveTo(from, seen(1 - bit));
        paint.lineTo(place, seen(1 - bit)); paint.lineTo(place, seen(bit));
      }
      if (bands.open) paint.moveTo(bands.until, seen(bit));
      paint.lineTo(width, seen(bit)); paint.stroke();
      bands.fill(paint, colour.readback, upper, low);
    }
    this.watched.forEach((name, at) => this.drawProbe(paint, name, (8 + at) * lane, lane, left, width, begin, x));
    paint.fillStyle = colour.quiet;
    const step = this.stepUs();
    paint.fillText(`${span(step)} from mark to mark${this.paused ? "; paused" : ""}`, left, height - 9);
    paint.strokeStyle = colour.quiet; paint.lineWidth = 1;
    paint.beginPath();
    for (let at = Math.ceil(begin / step) * step; at <= this.endUs; at += step) { paint.moveTo(x(at), height - 22); paint.lineTo(x(at), height - 17); }
    paint.stroke();
    const upright = (time, name, dashes) => {
      if (time === null || time < begin || time > this.endUs) return;
      paint.strokeStyle = colour.mark; paint.lineWidth = 1.5; paint.setLineDash(dashes);
      paint.beginPath(); paint.moveTo(x(time), 0); paint.lineTo(x(time), height - 20); paint.stroke();
      paint.setLineDash([]);
      paint.fillStyle = colour.mark; paint.fillText(name, x(time) + 3, 8);
    };
    upright(this.cursorUs, "", [3, 3]);
    this.marks.forEach((time, at) => upright(time, "AB"[at], []));
  }

  // On is high, off is low; a dotted line in the middle where it isn't known.
  drawProbe(paint, name, top, lane, left, width, begin, x) {
    const { colour } = this, { times, on } = this.probes.get(name) ?? { times: [], on: [] };
    const high = top + lane * 0.2, low = top + lane * 0.82, middle = (high + low) / 2;
    paint.fillStyle = colour.ink;
    paint.fillText(name, 6, top + lane / 2);
    paint.strokeStyle = colour.rule; paint.lineWidth = 0.5;
    paint.beginPath(); paint.moveTo(0, top + lane); paint.lineTo(width, top + lane); paint.stroke();
    const first = Math.max(0, firstAfter(times, begin) - 1), last = firstAfter(times, this.endUs);
    const known = new Path2D(), unknown = new Path2D(), bands = new Bands();
    let place = left, state = this.onAt(name, begin);
    const until = (to) => {
      if (state === null) { unknown.moveTo(place, middle); unknown.lineTo(to, middle); return; }
      const level = state ? high : low;
      known.moveTo(place, level); known.lineTo(to, level);
      if (state) { paint.fillStyle = colour.rule; paint.fillRect(place, high, Math.max(to - place, 1), low - high); }
    };
    for (let at = first; at < last; at++) {
      const to = Math.max(left, x(times[at]));
      if (on[at] === state || to <= left) { state = on[at]; continue; }
      if (!bands.takes(to, to)) {
        until(to);
        if (state !== null && on[at] !== null) { known.moveTo(to, high); known.lineTo(to, low); }
      }
      place = to; state = on[at];
    }
    until(width);
    bands.fill(paint, colour.ink, high, low);
    paint.strokeStyle = colour.ink; paint.lineWidth = 1.6;
    paint.stroke(known);
    paint.strokeStyle = colour.quiet; paint.lineWidth = 1; paint.setLineDash([2, 4]);
    paint.stroke(unknown);
    paint.setLineDash([]);
  }
}
