// A task as a screen: which thing it is about, its questions, and entering the answers.

import { cautionsFirst } from "./cautions.js";
import { looksLikeSscc, normalPallet, serialIn, ssccFits } from "./code.js";
import { question } from "./form_fields.js";
import { FORMS } from "./form_tasks.js";
import { scanBox } from "./scan.js";
import { bigButton, fill, h, signal, verdictPanel } from "./ui.js";

export async function form(app, name, asked = "") {
  const held = FORMS[name];
  const first = cautionsFirst(app, name, held.cautions);
  if (first) return first;
  const box = h("div", { class: "form" });
  const subject = { value: asked, how: asked ? "chosen" : "", level: "good", detail: "" };
  if (held.subject === "day") {
    subject.value = new Date(app.session.trueNow()).toISOString().slice(0, 10);
  }
  const draw = () => {
    if (!subject.value)
      fill(
        box,
        ...askSubject(app, held, (found) => {
          Object.assign(subject, found);
          draw();
        }),
      );
    else
      fill(
        box,
        ...questions(app, name, held, subject, () => {
          subject.value = held.subject === "day" ? subject.value : "";
          app.show();
        }),
      );
  };
  draw();
  return box;
}

function askSubject(app, held, found) {
  const { pack } = app.session;
  const told = h("div", { class: "told", "aria-live": "polite" });
  const parts = [h("p", { class: "large" }, app.t(`which_${held.subject}`))];
  if (held.subject === "structure" || held.subject === "string") {
    const names = held.subject === "structure" ? pack.structures : pack.strings.string;
    const list = h("div", { class: "list" });
    const input = h("input", {
      type: "search",
      class: "code",
      autocomplete: "off",
      placeholder: app.t(`which_${held.subject}`),
      "aria-label": app.t(`which_${held.subject}`),
    });
    const done = new Set(app.session.state.ofKind(held.kind).map((entry) => entry.subject));
    const draw = () => {
      const wanted = input.value.trim().toUpperCase();
      const shown = names
        .filter((one) => one.toUpperCase().includes(wanted))
        .sort((one, two) => done.has(one) - done.has(two))
        .slice(0, 40);
      fill(
        list,
        ...shown.map((one) =>
          h(
            "button",
            {
              type: "button",
              class: `row-button ${done.has(one) ? "good" : "none"}`,
              onclick: () => found({ value: one, how: "chosen" }),
            },
            h("strong", {}, one),
            h("span", { class: "state" }, done.has(one) ? app.t("done") : ""),
          ),
        ),
      );
    };
    input.addEventListener("input", draw);
    draw();
    return [...parts, input, list];
  }
  const taken = (text, how) => {
    if (held.subject === "pallet") {
      const pallet = normalPallet(text);
      if (pack.palletIndex.has(pallet)) {
        signal("good");
        found({ value: pallet, how, level: "good", detail: "" });
        return;
      }
      if (looksLikeSscc(text) && !ssccFits(text)) {
        signal("bad");
        fill(told, verdictPanel("bad", app.t("check_digit_wrong"), pallet));
        return;
      }
      signal("ask");
      fill(
        told,
        verdictPanel("ask", app.t("pallet_unknown"), pallet),
        bigButton(
          app.t("go_on_anyway"),
          () => found({ value: pallet, how, level: "ask", detail: "pallet_unknown" }),
          "plain",
          { id: "go-on-anyway" },
        ),
      );
      return;
    }
    const { serial, known } = serialIn(text, pack);
    if (known || held.subject === "any") {
      signal("good");
      found({ value: serial, how, level: "good", detail: "" });
      return;
    }
    signal("bad");
    fill(
      told,
      verdictPanel("bad", app.t("judge_unknown"), serial),
      bigButton(
        app.t("go_on_anyway"),
        () => found({ value: serial, how, level: "bad", detail: "unknown" }),
        "plain",
        { id: "go-on-anyway" },
      ),
    );
  };
  const box = scanBox(app, {
    onCode: taken,
    label: app.t(`which_${held.subject}`),
    serials: held.subject !== "pallet",
    knows: (text) =>
      held.subject === "pallet"
        ? pack.palletIndex.has(normalPallet(text))
        : pack.moduleIndex(serialIn(text, pack).serial) >= 0,
  });
  parts.push(told, box.element);
  if (held.subject === "any") {
    parts.push(
      bigButton(
        app.t("whole_site"),
        () => found({ value: pack.site.name, how: "chosen" }),
        "plain",
        { id: "whole-site" },
      ),
    );
  }
  return parts;
}

function subjectKind(app, held, value) {
  if (held.subject !== "any") return held.subject;
  const { pack } = app.session;
  if (value === pack.site.name) return "site";
  if (pack.moduleIndex(value) >= 0) return "module";
  if (pack.palletIndex.has(value)) return "pallet";
  if (pack.stringIndex.has(value)) return "string";
  return "place";
}

function questions(app, name, held, subject, again) {
  const given = {};
  const photos = new Map();
  const wrong = h("div", { class: "told", "aria-live": "assertive" });
  const list = h("div", { class: "questions" });
  const parts = new Map();
  const look = () => {
    for (const field of held.fields) {
      const element = parts.get(field.name);
      if (element) element.hidden = Boolean(field.when && !field.when(given));
    }
  };
  for (const field of held.fields) {
    const element = question(app, field, { given, subject, photos, look });
    parts.set(field.name, element);
    list.append(element);
  }
  look();
  const save = async () => {
    const missing = held.fields.filter((field) => {
      if (field.when && !field.when(given)) return false;
      if (!field.needed || !field.needed(given)) return false;
      if (field.type === "photos") return !photos.get(field.name).count();
      const value = given[field.name];
      if (field.all) return !value || value.length < field.options.length;
      return value === undefined || value === "" || (Array.isArray(value) && !value.length);
    });
    if (missing.length) {
      signal("ask");
      fill(
        wrong,
        verdictPanel(
          "ask",
          app.t("still_missing"),
          missing.map((field) => app.t(`ask_${field.name}`)).join(", "),
        ),
      );
      wrong.scrollIntoView({ block: "nearest" });
      return;
    }
    const body = { read_by: subject.how };
    for (const field of held.fields) {
      if (field.when && !field.when(given)) continue;
      if (field.type !== "photos" && given[field.name] !== undefined && given[field.name] !== "")
        body[field.name] = given[field.name];
    }
    if (subject.detail) Object.assign(body, { open_point: true, judgement: subject.detail });
    if (name === "inspect") body.result = inspectionResult(app, given.defects || []);
    const files = [...photos.values()].flatMap((one) => one.files());
    const named = [...photos.values()].flatMap((one) => one.named());
    if (named.length) body.files = named;
    const range = held.fields.find((field) => field.range && body[field.name] !== undefined);
    const limits = range ? range.range(app, subject.value) : null;
    const outside = limits && (body[range.name] < limits[0] || body[range.name] > limits[1]);
    if (outside) Object.assign(body, { open_point: true, outside: range.name, range: limits });
    const counted = held.fields.find((field) => field.expect && body[field.name] !== undefined);
    const listed = counted ? counted.expect(app, subject.value) : null;
    const differs = listed !== null && body[counted.name] !== listed;
    if (differs) Object.assign(body, { open_point: true, modules_listed: listed });
    const bad = held.fields.some(
      (field) =>
        field.good && body[field.name] !== undefined && !field.good.includes(body[field.name]),
    );
    if (bad) body.open_point = true;
    const made = await app.enter(
      [
        {
          kind: held.kind,
          subject_kind: subjectKind(app, held, subject.value),
          subject: subject.value,
          body,
        },
      ],
      files,
    );
    if (!made) return;
    const level =
      outside || body.result === "apart"
        ? "bad"
        : body.open_point || body.result === "ask"
          ? "ask"
          : "good";
    signal(level);
    fill(
      list.parentElement,
      verdictPanel(
        level,
        outside
          ? app.t("outside_range", { from: limits[0], to: limits[1] })
          : body.result
            ? app.t(`result_${body.result}`)
            : app.t(body.open_point ? "kept_open_point" : "kept"),
        subject.value,
        differs ? app.t("count_differs", { n: listed }) : "",
        outside || body.result ? app.t("kept") : "",
      ),
      h(
        "div",
        { class: "foot" },
        bigButton(app.t("next_one"), again, "first", { id: "next-one" }),
        bigButton(app.t("home"), () => app.go("/"), "plain"),
      ),
    );
  };
  return [
    h("p", { class: "large", id: "subject" }, subject.value),
    subject.detail
      ? verdictPanel(
          subject.level,
          app.t(subject.detail === "unknown" ? "judge_unknown" : subject.detail),
        )
      : null,
    list,
    wrong,
    h("div", { class: "foot" }, bigButton(app.t("keep"), save, "first", { id: "keep" })),
  ].filter(Boolean);
}

/** What follows from the defects of a module: apart, to be asked about, or sound. */
function inspectionResult(app, defects) {
  const classes = new Map(app.session.pack.site.items.map(([key, , kind]) => [key, kind]));
  const found = defects.map((key) => classes.get(key));
  if (found.includes("critical")) return "apart";
  return found.includes("major") ? "ask" : "sound";
}
