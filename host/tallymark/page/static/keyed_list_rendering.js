// A list whose entries are made anew only where what they show has changed. A key or a mouse button that is down on
// another entry acts when it goes up; on an element that was replaced meanwhile it would act on nothing.

export class KeptEntries {
  constructor(list) {
    this.list = list;
    this.entries = new Map(); // by key: what is shown, and its element
  }

  // entries: [key, what is shown (for JSON), function that makes the element], in order.
  show(entries) {
    const focus = document.activeElement?.id;
    const next = new Map();
    for (const [key, shown, made] of entries) {
      const text = JSON.stringify(shown), before = this.entries.get(key);
      next.set(key, before?.text === text ? before : { text, element: made() });
    }
    const elements = [...next.values()].map((entry) => entry.element);
    // First out with the old: an element that stays must not be moved, as that takes the focus from it.
    for (const child of [...this.list.children]) if (!elements.includes(child)) child.remove();
    elements.forEach((element, at) => {
      if (this.list.children[at] !== element) this.list.insertBefore(element, this.list.children[at] ?? null);
    });
    this.entries = next;
    if (focus && document.activeElement?.id !== focus) document.getElementById(focus)?.focus();
  }
}
