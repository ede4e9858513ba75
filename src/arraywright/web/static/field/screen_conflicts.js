// Contradictions with both stories, settled by a new entry of a person who has looked.

import { bigButton, h, verdictPanel } from "./ui.js";

export function conflicts(app) {
  const { session } = app;
  const found = session.state.conflicts();
  if (!found.length) return h("div", {}, verdictPanel("good", app.t("no_conflicts")));
  const settle = async (told, right) => {
    const wrong = told.filter((one) => one.uuid !== right.uuid && one.uuid.length === 36);
    if (wrong.length < told.length - 1) {
      await app.choose(app.t("list_in_office"), []);
      if (!wrong.length) return;
    }
    const made = await app.enter(
      wrong.map((one) => ({
        kind: "placement_undone",
        subject_kind: "module",
        subject: one.serial,
        supersedes: one.uuid,
        body: { position: one.position, reason: "conflict_settled", right: right.uuid },
      })),
    );
    if (made) app.show();
  };
  return h(
    "div",
    {},
    h("p", {}, app.t("conflict_what")),
    found.map(({ side, value, told }) =>
      h(
        "section",
        { class: "conflict" },
        h("h2", {}, app.t(side === "serial" ? "serial_twice" : "position_twice", { value })),
        told.map((one) =>
          h(
            "div",
            { class: "story" },
            h("p", { class: "large" }, side === "serial" ? one.position : one.serial),
            h(
              "p",
              {},
              one.person
                ? app.t("told_by", { person: one.person, time: app.words.time(one.time) })
                : app.t("told_by_list"),
            ),
            bigButton(app.t("this_is_right"), () => settle(told, one), "plain"),
          ),
        ),
      ),
    ),
  );
}
