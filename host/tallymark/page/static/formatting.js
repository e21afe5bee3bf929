// How times and codes are written.

export function width(us) {
  if (us === null || us === undefined) return "";
  if (us < 1000) return `${us} µs`;
  return us % 1000 === 0 ? `${us / 1000} ms` : `${(us / 1000).toFixed(3)} ms`;
}

export function duration(us) {
  const size = Math.abs(us);
  if (size < 1000) return `${us.toFixed(0)} µs`;
  if (size < 1e6) return `${(us / 1000).toFixed(3)} ms`;
  return `${(us / 1e6).toFixed(6)} s`;
}

// A round span, such as that of a view.
export function span(us) {
  if (us < 1000) return `${us} µs`;
  return us < 1e6 ? `${us / 1000} ms` : `${us / 1e6} s`;
}

export function wallTime(hostUs, wallUs) {
  if (hostUs === null) return "not known";
  const at = new Date((hostUs + wallUs) / 1000);
  const two = (number) => String(number).padStart(2, "0");
  const rest = String(at.getMilliseconds()).padStart(3, "0");
  return `${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}.${rest}`;
}

// What is on the lines until something ends it; empty if nothing is.
export function heldText(held, wallUs) {
  if (!held) return "";
  const since = held.host_us === null ? "" : ` since ${wallTime(held.host_us, wallUs).slice(0, 8)}`;
  return `Lines held at ${held.name ? `${held.name} (${held.code})` : held.code}${since}`;
}

export function linesOf(code) {
  const lines = [0, 1, 2, 3, 4, 5, 6, 7].filter((line) => (code >> line) & 1);
  return lines.length ? `line${lines.length > 1 ? "s" : ""} ${lines.join(", ")}` : "no line";
}

// An element with text or other elements in it; text is never taken as HTML.
export function make(tag, attributes = {}, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "class") made.className = value;
    else if (value !== null && value !== false) made.setAttribute(name, value);
  }
  made.append(...inside);
  return made;
}

// A button that puts a text into the clipboard; nothing where the browser has none, as at another computer's page.
export function copyButton(text, what) {
  if (!navigator.clipboard) return "";
  const made = make("button", { type: "button", id: `copy-${what.replaceAll(" ", "-")}`, "aria-label": `Copy the address of ${what}` }, "Copy");
  made.addEventListener("click", async () => {
    const copied = await navigator.clipboard.writeText(text).then(() => true, () => false);
    made.textContent = copied ? "Copied" : "Not copied: select it";
    made.setAttribute("aria-label", `${made.textContent}: the address of ${what}`);
  });
  return made;
}

export function save(blob, name) {
  const link = make("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}
