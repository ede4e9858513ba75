// The kinds of questions a task can ask, each with its large control.

import { photoField } from "./photos.js";
import { scanBox } from "./scan.js";
import { serialIn } from "./code.js";
import { choices, fill, h, numberIn, signal, verdictPanel } from "./ui.js";

export function question(app, field, { given, subject, photos, look }) {
  const set = (value) => {
    if (value === undefined || (typeof value === "number" && Number.isNaN(value)))
      delete given[field.name];
    else given[field.name] = value;
    look();
  };
  const label = app.t(`ask_${field.name}`);
  if (field.type === "choice") {
    return group(
      label,
      choices(
        field.options.map((value) => ({
          value,
          word: app.t(`option_${value}`),
          level: (field.bad || []).includes(value)
            ? "bad"
            : (field.good || []).includes(value)
              ? "good"
              : "",
        })),
        undefined,
        set,
        { label },
      ),
    );
  }
  if (field.type === "checks") {
    return group(
      label,
      choices(
        field.options.map((value) => ({
          value,
          word: app.t(app.words.has(`option_${value}`) ? `option_${value}` : `caution_${value}`),
        })),
        [],
        set,
        { many: true, label },
      ),
    );
  }
  if (field.type === "defects") {
    const parts = new Map();
    for (const [key, part, kind] of app.session.pack.site.items) {
      if (!parts.has(part)) parts.set(part, []);
      parts.get(part).push({
        value: key,
        word: app.t(`defect_${key.replaceAll("-", "_")}`),
        level: kind === "critical" ? "bad" : "",
      });
    }
    const chosen = new Map();
    return group(
      label,
      [...parts].map(([part, options]) =>
        h(
          "details",
          {},
          h("summary", {}, app.t(`part_${part.replaceAll(" ", "_")}`)),
          choices(
            options,
            [],
            (values) => {
              chosen.set(part, values);
              set([...chosen.values()].flat());
            },
            { many: true, label: part },
          ),
        ),
      ),
    );
  }
  if (field.type === "photos") {
    const made = photoField(app, label);
    photos.set(field.name, made);
    return h("div", { class: "question" }, made.element);
  }
  if (field.type === "serials") return group(label, serialsField(app, set));
  if (field.type === "advice") return advice(app, set);
  if (field.type === "number") return numberField(app, field, { label, set, subject });
  if (field.type === "line") {
    const line = h("input", {
      type: "text",
      maxLength: 60,
      class: "code",
      autocomplete: "off",
      "aria-label": label,
      id: field.name,
      oninput: () => set(line.value.trim() || undefined),
    });
    return group(label, line);
  }
  const input = h("textarea", {
    rows: 2,
    maxLength: 2000,
    class: "text",
    "aria-label": label,
    oninput: () => set(input.value.trim() || undefined),
  });
  return group(label, input);
}

function group(label, ...content) {
  return h("div", { class: "question" }, h("p", { class: "label" }, label), content);
}

function numberField(app, field, { label, set, subject }) {
  const us = app.session.profile && app.session.profile.units === "us" && field.us;
  const factor = us ? field.us[1] : 1;
  const told = h("p", { class: "told", "aria-live": "polite" });
  const input = h("input", {
    type: "text",
    inputmode: "decimal",
    class: "number",
    autocomplete: "off",
    "aria-label": label,
    id: field.name,
  });
  const limits = field.range ? field.range(app, subject.value) : null;
  input.addEventListener("input", () => {
    const value = numberIn(input.value) * factor;
    const possible = value >= field.least && value <= field.most;
    input.setAttribute("aria-invalid", String(input.value.trim() !== "" && !possible));
    set(possible ? Number(value.toPrecision(12)) : undefined);
    told.textContent = "";
    if (!possible) return;
    if (limits && (value < limits[0] || value > limits[1]))
      told.textContent = app.t("outside_range", {
        from: app.words.number(limits[0] / factor, 0),
        to: app.words.number(limits[1] / factor, 0),
      });
    const wanted = field.expect ? field.expect(app, subject.value) : null;
    if (wanted !== null && value !== wanted)
      told.textContent = app.t("count_differs", { n: wanted });
  });
  const hint = limits
    ? app.t("range", {
        from: app.words.number(limits[0] / factor, 0),
        to: app.words.number(limits[1] / factor, 0),
      })
    : "";
  return group(
    label,
    h("span", { class: "with-unit" }, input, h("span", {}, us ? field.us[0] : field.unit || "")),
    hint ? h("p", { class: "small" }, hint) : null,
    told,
  );
}

function serialsField(app, set) {
  const { pack } = app.session;
  const held = [];
  const list = h("ul", {});
  const box = scanBox(app, {
    onCode: (text) => {
      const { serial, known } = serialIn(text, pack);
      if (!serial || held.includes(serial)) return;
      held.push(serial);
      signal(known ? "good" : "ask");
      set([...held]);
      fill(list, ...held.map((one) => h("li", {}, one)));
    },
    knows: (text) => pack.moduleIndex(serialIn(text, pack).serial) >= 0,
  });
  return [box.element, list];
}

/** Advice on the time of day: glass that is hot and water that is cold do not go together. */
function advice(app, set) {
  const zone = app.session.pack.site.time_zone;
  const hour = Number(
    new Date(app.session.trueNow()).toLocaleString("en-GB", {
      timeZone: zone,
      hour: "2-digit",
      hour12: false,
    }),
  );
  const hot = hour >= 9 && hour < 18;
  set(hot ? "sunny_hours" : "cool_hours");
  return h(
    "div",
    { class: "question" },
    verdictPanel(hot ? "ask" : "good", app.t(hot ? "clean_hot" : "clean_cool")),
  );
}
