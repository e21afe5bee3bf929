// A picture of the 25-way connector, seen at the box, with the pins of lines that have a fault.

const NS = "http://www.w3.org/2000/svg";

function shape(tag, attributes, ...inside) {
  const made = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
}

export function plug(lines) {
  const faults = lines.filter((each) => !each.good && each.in_use).map((each) => each.pin);
  const text = faults.length ? `Connector: look at pin ${faults.join(", ")}` : "Connector: no pin with a fault";
  const picture = shape("svg", { class: "plug", viewBox: "0 0 300 92", role: "img", "aria-label": text });
  picture.append(shape("path", { d: "M12 8 H288 L276 78 H24 Z" }));
  for (let pin = 1; pin <= 25; pin++) {
    const upper = pin <= 13;
    const x = upper ? 30 + (pin - 1) * 20 : 40 + (pin - 14) * 20;
    const y = upper ? 27 : 57;
    const of = lines.find((each) => each.pin === pin);
    const kind = of && !of.good && of.in_use ? "fault" : of && of.in_use ? "good" : "";
    const group = shape("g", { class: kind });
    group.append(shape("circle", { cx: x, cy: y, r: 7.5 }), shape("text", { x, y: y + 3 }, String(pin)));
    if (kind) group.append(shape("text", { x, y: upper ? 17 : 76 }, kind === "fault" ? "✗" : "✓"));
    picture.append(group);
  }
  return picture;
}
