// First screens: whose phone this is, which blocks are taken along, what is to be done.

import { bigButton, fill, h, verdictPanel } from "./ui.js";

const TASKS = [
  ["place", "first"],
  ["strings", "first"],
  ["receive", ""],
  ["open_pallet", ""],
  ["inspect", ""],
  ["torque", ""],
  ["connect", ""],
  ["find", ""],
  ["defect", ""],
  ["incident", ""],
  ["clean", ""],
  ["talk", ""],
];

export function home(app) {
  const { session } = app;
  const { pack, state } = session;
  const line = pack
    ? app.t("home_line", {
        placed: pack.positions.filter((position) => state.byPosition.has(position)).length,
        positions: pack.positions.length,
        strings: pack.strings.string.filter(
          (name) => state.tests.has(name) || pack.tested.has(name),
        ).length,
        all: pack.strings.string.length,
      })
    : app.t("no_pack");
  const tester = ["owner", "lead", "tester"].includes(session.profile.role);
  return h(
    "div",
    { class: "home" },
    h("p", { class: "who" }, `${session.profile.person} · ${session.profile.site}`),
    h("p", { class: "large" }, line),
    h(
      "nav",
      { class: "tiles" },
      TASKS.filter(([name]) => tester || name !== "strings").map(([name, kind]) =>
        bigButton(
          app.t(name === "strings" ? "test" : name),
          () => app.go(`/${name}`),
          kind || "plain",
          { id: `task-${name}` },
        ),
      ),
    ),
    h(
      "nav",
      { class: "tiles low" },
      bigButton(app.t("blocks"), () => app.go("/blocks"), "quiet"),
      bigButton(app.t("sync"), () => app.go("/sync"), "quiet"),
      bigButton(app.t("conflicts"), () => app.go("/conflicts"), "quiet"),
      bigButton(app.t("help"), () => app.go("/help"), "quiet"),
    ),
  );
}

export function enrol(app, code = "") {
  const { session, sync } = app;
  const box = h("div", { class: "enrol" });
  const say = (...children) => fill(box, ...children.filter(Boolean));
  const failed = (error) => {
    const offline = error instanceof TypeError;
    const key = `error_${error.code}`;
    const words = offline ? app.t("offline_now") : app.words.has(key) ? app.t(key) : error.message;
    say(
      verdictPanel("bad", words),
      bigButton(app.t("again"), () => ask(), "first"),
    );
  };
  const join = async (given, told, label) => {
    try {
      say(h("p", { class: "large" }, app.t("making_key")));
      await sync.enrol(given, { person: told.person, label: label || app.t("phone") });
      history.replaceState(null, "", "/field/");
      app.go("/blocks");
    } catch (error) {
      failed(error);
    }
  };
  const look = async (given) => {
    try {
      const told = await sync.lookAtCode(given);
      const label = h("input", {
        type: "text",
        class: "code",
        maxLength: 60,
        "aria-label": app.t("phone_label"),
        placeholder: app.t("phone_label"),
      });
      say(
        h("p", { class: "large" }, app.t("enrol_as", { person: told.person, site: told.site })),
        label,
        bigButton(app.t("yes_join"), () => join(given, told, label.value.trim()), "first", {
          id: "join",
        }),
        bigButton(app.t("not_me"), () => ask(), "plain"),
      );
    } catch (error) {
      failed(error);
    }
  };
  const ask = () => {
    const input = h("input", {
      type: "text",
      class: "code",
      autocomplete: "off",
      spellcheck: false,
      placeholder: app.t("code"),
      "aria-label": app.t("code"),
    });
    say(
      h("p", { class: "large" }, app.t("enrol_how")),
      input,
      bigButton(
        app.t("go_on"),
        () => {
          const given = input.value.trim();
          look(given.includes("#") ? given.slice(given.indexOf("#") + 1) : given);
        },
        "first",
      ),
      languages(app),
    );
  };
  if (app.trouble) say(verdictPanel("bad", app.t(app.trouble)), languages(app));
  else if (session.profile)
    say(h("p", { class: "large" }, app.t("enrolled_already", { person: session.profile.person })));
  else if (code) look(code);
  else ask();
  return box;
}

function languages(app) {
  return h(
    "div",
    { class: "tiles low" },
    app.languages.map((language) =>
      bigButton(
        language.toUpperCase(),
        async () => {
          await app.session.store.set("language", language);
          location.reload();
        },
        "quiet",
        { lang: language },
      ),
    ),
  );
}

export async function blocks(app) {
  const { session, sync } = app;
  const box = h("div", {});
  const held = new Set(session.pack ? session.pack.manifest.blocks : []);
  const say = (...children) => fill(box, ...children.filter(Boolean));
  const fetchNow = async () => {
    say(h("p", { class: "large" }, app.t("fetching_pack")));
    try {
      const { parts, of } = await sync.fetchPack([...held]);
      await sync.run();
      say(
        verdictPanel(
          "good",
          app.t("pack_here", {
            modules: session.pack.serials.length,
            positions: session.pack.positions.length,
          }),
          app.t("pack_parts", { parts, of }),
        ),
        bigButton(app.t("go_on"), () => app.go("/"), "first", { id: "go-on" }),
      );
    } catch (error) {
      failed(error);
    }
  };
  const failed = (error) => {
    say(
      verdictPanel("bad", error instanceof TypeError ? app.t("offline_now") : error.message),
      session.pack
        ? h(
            "p",
            {},
            app.t("pack_of", { time: app.words.time(Date.parse(session.pack.manifest.made_at)) }),
          )
        : null,
      bigButton(app.t("again"), () => draw(), "first"),
    );
  };
  const draw = async () => {
    say(h("p", { class: "large" }, app.t("asking")));
    try {
      const told = await sync.blocks();
      const fetchButton = bigButton(app.t("take_along"), fetchNow, "first", {
        id: "take-along",
        disabled: !held.size,
      });
      say(
        h("p", { class: "large" }, app.t("choose_blocks")),
        h(
          "div",
          { class: "choices blocks" },
          told.blocks.map(({ block, strings, modules }) => {
            const button = h(
              "button",
              {
                type: "button",
                class: "choice",
                "aria-pressed": String(held.has(block)),
                onclick: () => {
                  if (held.has(block)) held.delete(block);
                  else held.add(block);
                  button.setAttribute("aria-pressed", String(held.has(block)));
                  fetchButton.disabled = !held.size;
                },
              },
              h("strong", {}, block),
              h("span", {}, app.t("block_line", { strings, modules })),
            );
            return button;
          }),
        ),
        h("div", { class: "foot" }, fetchButton),
      );
    } catch (error) {
      failed(error);
    }
  };
  draw();
  return box;
}

export async function help(app) {
  const { session } = app;
  const room =
    app.room && app.room.known
      ? app.t("room_line", { free: app.words.number(app.room.free / 1048576, 0) })
      : app.t("room_unknown");
  const clock = session.clockTrouble();
  const ahead = session.clockAheadS;
  const rows = [
    [app.t("person"), session.profile ? session.profile.person : "–"],
    [app.t("device"), session.key ? session.key.device.slice(0, 12) : "–"],
    [
      app.t("clock"),
      ahead === null
        ? app.t("clock_unknown")
        : app.t("clock_line", { s: app.words.number(Math.round(ahead) || 0, 0) }),
    ],
    [app.t("storage"), room],
    [app.t("kept_safe"), app.t(app.persistent ? "persistent_yes" : "persistent_no")],
    [app.t("version"), document.documentElement.dataset.version],
  ];
  return h(
    "div",
    {},
    clock ? verdictPanel("ask", app.t(clock), app.t(`${clock}_what`)) : null,
    app.trouble ? verdictPanel("bad", app.t(app.trouble)) : null,
    h(
      "dl",
      { class: "facts" },
      rows.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]),
    ),
    h("p", {}, app.t("help_text")),
    h("p", { class: "small" }, app.t("deference")),
    languages(app),
  );
}
