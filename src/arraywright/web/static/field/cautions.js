// The usual cautions before a task: read once a day by this phone's person, and entered as read.

import { bigButton, h } from "./ui.js";

function dayOf(app, milliseconds) {
  const zone = app.session.pack ? app.session.pack.site.time_zone : undefined;
  return new Date(milliseconds).toLocaleDateString("en-CA", { timeZone: zone });
}

export function readToday(app, task) {
  const { state, key } = app.session;
  const today = dayOf(app, app.session.trueNow());
  return state
    .live("cautions_read", task)
    .some((entry) => entry.device === key.device && dayOf(app, entry.time) === today);
}

/** The cautions of a task as a list. */
export function cautionList(app, keys) {
  return h(
    "div",
    { class: "cautions" },
    h(
      "ul",
      {},
      keys.map((key) => h("li", {}, app.t(`caution_${key}`))),
    ),
    h("p", { class: "small" }, app.t("deference")),
  );
}

/** A screen of cautions that must be read; null when they were read today. */
export function cautionsFirst(app, task, keys) {
  if (!keys.length || readToday(app, task)) return null;
  const read = async () => {
    const made = await app.enter([
      {
        kind: "cautions_read",
        subject_kind: "task",
        subject: task,
        body: { cautions: keys, language: app.words.language },
      },
    ]);
    if (made) app.show();
  };
  return h(
    "div",
    { class: "caution-screen" },
    h("p", { class: "large" }, app.t("cautions_first")),
    cautionList(app, keys),
    h("div", { class: "foot" }, bigButton(app.t("read_and_go_on"), read, "first", { id: "read" })),
  );
}
