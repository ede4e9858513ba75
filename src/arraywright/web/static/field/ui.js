// Small helpers that make elements; no words of their own.

/** Make an element: properties, `on...` listeners, and children (elements, text, nothing). */
export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.className = value;
    else if (name in element && name !== "list" && name !== "form") element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(
    ...children.flat(9).filter((child) => child !== null && child !== undefined && child !== false),
  );
  return element;
}

/** Put children in the place of what an element held; nothing where a child is nothing. */
export function fill(element, ...children) {
  element.replaceChildren(
    ...children
      .flat(9)
      .filter((child) => child !== null && child !== undefined && child !== false && child !== ""),
  );
}

const MARKS = { good: "✓", ask: "?", bad: "✕", open: "…", note: "i" };

/** A verdict with mark, word and detail: never colour alone. */
export function verdictPanel(level, word, ...details) {
  return h(
    "section",
    { class: `verdict ${level}`, role: level === "bad" ? "alert" : "status" },
    h("span", { class: "mark", "aria-hidden": "true" }, MARKS[level]),
    h(
      "div",
      { class: "said" },
      h("strong", {}, word),
      details.filter(Boolean).map((one) => h("p", {}, one)),
    ),
  );
}

export function bigButton(label, onclick, kind = "", extra = {}) {
  return h("button", { type: "button", class: `big ${kind}`, onclick, ...extra }, label);
}

/** One of several, as large buttons; nothing chosen until touched. */
export function choices(options, chosen, onchoose, { many = false, label = "" } = {}) {
  const held = many ? new Set(chosen || []) : chosen;
  const is = (value) => (many ? held.has(value) : held === value);
  const group = h("div", { class: "choices", role: "group", "aria-label": label });
  for (const { value, word, level = "" } of options) {
    const button = h(
      "button",
      {
        type: "button",
        class: `choice ${level}`,
        "aria-pressed": String(is(value)),
        onclick: () => {
          if (many) {
            if (held.has(value)) held.delete(value);
            else held.add(value);
            button.setAttribute("aria-pressed", String(held.has(value)));
            onchoose([...held]);
            return;
          }
          for (const other of group.children) other.setAttribute("aria-pressed", "false");
          button.setAttribute("aria-pressed", "true");
          onchoose(value);
        },
      },
      word,
    );
    group.append(button);
  }
  return group;
}

let audio = null;

/** Sound and vibration for good, to-be-asked and bad; told apart without looking. */
export function signal(level) {
  const patterns = { good: [60], ask: [80, 60, 80], bad: [300, 100, 300] };
  try {
    if (navigator.vibrate) navigator.vibrate(patterns[level]);
  } catch {
    // a browser that forbids vibrating is no trouble
  }
  try {
    audio ||= new AudioContext();
    const notes = {
      good: [[1175, 0, 0.12]],
      ask: [
        [660, 0, 0.1],
        [660, 0.16, 0.1],
      ],
      bad: [
        [196, 0, 0.28],
        [156, 0.34, 0.4],
      ],
    }[level];
    for (const [pitch, start, length] of notes) {
      const tone = audio.createOscillator();
      const gain = audio.createGain();
      tone.type = level === "bad" ? "square" : "sine";
      tone.frequency.value = pitch;
      gain.gain.value = 0.25;
      tone.connect(gain).connect(audio.destination);
      tone.start(audio.currentTime + start);
      tone.stop(audio.currentTime + start + length);
    }
  } catch {
    // without sound the screen and the vibration remain
  }
}

/** Read a number as people type it: comma or point; NaN when it is none. */
export function numberIn(text) {
  const plain = text.trim().replace(/\s/g, "").replace("−", "-").replace(",", ".");
  return /^[-+]?[0-9]*\.?[0-9]+$/.test(plain) ? Number(plain) : NaN;
}
