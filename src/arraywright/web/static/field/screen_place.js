// Placing modules: scan, hear at once whether it is right, and the position moves on.

import { nearSerials, serialIn } from "./code.js";
import { cautionsFirst } from "./cautions.js";
import { classOfString, judge, nextFree } from "./judge.js";
import { scanBox } from "./scan.js";
import { bigButton, choices, fill, h, signal, verdictPanel } from "./ui.js";

const CAUTIONS = ["two_people", "live_in_light", "wind_and_steps"];
const REASONS = ["lead_decided", "none_other", "label_wrong", "list_wrong"];
const SKIP_REASONS = ["structure_not_ready", "module_missing", "access", "other"];

export async function place(app, asked = "") {
  const first = cautionsFirst(app, "place", CAUTIONS);
  if (first) return first;
  const { session } = app;
  const { pack, state } = session;
  const context = session.context;
  const skipped = new Set(state.ofKind("position_skipped").map((entry) => entry.subject));
  const stored = await session.store.get("place_at", "");
  let current = pack.positionIndex.get(asked || stored) ?? -1;
  if (current < 0 || (!asked && state.byPosition.has(pack.positions[current]))) {
    current = nextFree(current, { ...context, skipped });
  }
  const head = h("div", { class: "place-head" });
  const map = h("button", { type: "button", class: "table-map", "aria-label": app.t("table_map") });
  const told = h("div", { class: "told", "aria-live": "assertive" });
  let turn = Promise.resolve();

  const draw = () => {
    if (current < 0) {
      fill(head, verdictPanel("good", app.t("all_placed")));
      fill(map);
      return;
    }
    const string = pack.stringOf[current];
    const wanted = classOfString(string, context);
    const here = state.serialAt(pack.positions[current]);
    fill(
      head,
      h(
        "div",
        { class: "figure" },
        h("strong", { id: "position" }, `${pack.row[current]} – ${pack.column[current]}`),
        h("span", {}, app.t("row_column")),
      ),
      h(
        "div",
        { class: "figure" },
        h("strong", { class: "class-figure" }, pack.classShort(wanted)),
        h("span", {}, app.t("class")),
      ),
      h(
        "p",
        { class: "sub" },
        `${pack.structures[pack.structureOf[current]]} · ${pack.strings.string[string]} / ${pack.place[current]}`,
      ),
      pack.planned[current]
        ? h("p", { class: "sub" }, app.t("planned", { serial: pack.planned[current] }))
        : null,
      here ? h("p", { class: "sub here" }, app.t("sits_here", { serial: here })) : null,
    );
    drawMap();
  };

  const drawMap = () => {
    const structure = pack.structureOf[current];
    const cells = [];
    let columns = 1;
    for (let number = 0; number < pack.positions.length; number += 1) {
      if (pack.structureOf[number] !== structure) continue;
      columns = Math.max(columns, pack.column[number]);
      cells.push(number);
    }
    map.style.setProperty("--columns", String(Math.min(columns, 26)));
    fill(
      map,
      ...cells.map((number) => {
        const name = pack.positions[number];
        const uuids = state.byPosition.get(name);
        const kind =
          number === current
            ? "now"
            : uuids
              ? uuids.size > 1
                ? "twice"
                : "full"
              : skipped.has(name)
                ? "skipped"
                : "free";
        return h(
          "i",
          {
            class: kind,
            title: name,
          },
          { now: "◆", full: "", twice: "!", skipped: "–", free: "" }[kind],
        );
      }),
    );
  };
  map.addEventListener("click", async () => {
    const free = new Map(pack.structures.map((name, number) => [number, 0]));
    pack.positions.forEach((name, number) => {
      if (!state.byPosition.has(name))
        free.set(pack.structureOf[number], free.get(pack.structureOf[number]) + 1);
    });
    const options = [...free].map(([number, count]) => ({
      value: number,
      word: app.t("table_free", { name: pack.structures[number], n: count }),
    }));
    const structure = await app.choose(app.t("which_structure"), options);
    if (structure === null) return;
    const within = (number) => pack.structureOf[number] === structure;
    const start = pack.structureOf.indexOf(structure);
    const next = nextFree(start - 1, { ...context, skipped, within });
    move(next < 0 ? start : next);
    fill(told);
  });

  const move = (number) => {
    current = number;
    session.store.set("place_at", number < 0 ? "" : pack.positions[number]).catch(() => {});
    draw();
  };
  const onward = () => move(nextFree(current, { ...context, skipped }));

  const enter = async (serial, judgement, { how, reason = "", supersedes = null, more = {} }) => {
    const position = current;
    const made = await app.enter([
      {
        kind: "module_placed",
        subject_kind: "module",
        subject: serial,
        supersedes,
        body: {
          position: pack.positions[position],
          string: pack.strings.string[pack.stringOf[position]],
          place_in_string: pack.place[position],
          read_by: how,
          judgement: judgement.code,
          ...(reason ? { reason, open_point: true } : {}),
          ...more,
        },
      },
    ]);
    if (!made) return;
    signal(reason ? "ask" : "good");
    fill(
      told,
      verdictPanel(
        reason ? "ask" : "good",
        app.t(reason ? "placed_with_reason" : `judge_${judgement.code}`),
        serial,
        app.t("kept_at", { position: pack.positions[position] }),
      ),
    );
    onward();
  };

  const ask = (serial, judgement, how) => {
    const far = state.where(serial).filter((one) => one.position !== pack.positions[current]);
    const here = state.at(pack.positions[current]).find((one) => one.serial !== serial);
    const others = judgement.reasons
      .slice(1)
      .filter((one) => !["not_as_planned", "waived_class"].includes(one.code))
      .map((one) => app.t(`judge_${one.code}`));
    const buttons = [];
    if (judgement.code === "placed_here") {
      fill(told, verdictPanel("ask", app.t("judge_placed_here"), serial));
      onward();
      return;
    }
    if (judgement.code === "position_taken") {
      buttons.push(
        bigButton(
          app.t("replace"),
          () =>
            enter(serial, judgement, {
              how,
              supersedes: here.uuid.length === 36 ? here.uuid : null,
              more: { replaces: here.serial },
            }),
          "first",
          { id: "replace" },
        ),
      );
    } else if (judgement.code === "class_open") {
      enter(serial, judgement, { how });
      return;
    } else {
      buttons.push(
        bigButton(app.t("place_with_reason"), () => why(serial, judgement, how), "danger", {
          id: "anyway",
        }),
      );
    }
    if (far.length && judgement.code === "placed_elsewhere" && far[0].uuid.length === 36) {
      buttons.unshift(
        bigButton(
          app.t("moved_here"),
          () =>
            enter(serial, judgement, {
              how,
              supersedes: far[0].uuid,
              more: { moved_from: far[0].position },
            }),
          "plain",
          { id: "moved" },
        ),
      );
    }
    const near =
      judgement.code === "unknown" || judgement.code === "foreign" ? nearSerials(serial, pack) : [];
    fill(
      told,
      verdictPanel(
        judgement.level,
        app.t(`judge_${judgement.code}`),
        serial,
        judgement.is ? app.t("instead_of", { is: judgement.is, wanted: judgement.wanted }) : "",
        judgement.detail && judgement.detail !== serial ? judgement.detail : "",
        others.join(" · "),
        near.length ? app.t("did_you_mean", { serials: near.join(", ") }) : "",
      ),
      bigButton(app.t("do_not_place"), () => fill(told), "first", { id: "leave" }),
      ...buttons,
    );
  };

  const why = (serial, judgement, how) => {
    let reason = "";
    const text = h("input", {
      type: "text",
      class: "code",
      maxLength: 300,
      placeholder: app.t("in_words"),
      "aria-label": app.t("in_words"),
    });
    const go = bigButton(
      app.t("place_open_point"),
      () => {
        const said = text.value.trim() || reason;
        if (!said) return;
        const here = state.at(pack.positions[current]).find((one) => one.serial !== serial);
        enter(serial, judgement, {
          how,
          reason: said,
          supersedes: here && here.uuid.length === 36 ? here.uuid : null,
          more: here ? { replaces: here.serial } : {},
        });
      },
      "danger",
      { id: "place-open", disabled: true },
    );
    const look = () => {
      go.disabled = !(reason || text.value.trim());
    };
    text.addEventListener("input", look);
    fill(
      told,
      verdictPanel("bad", app.t(`judge_${judgement.code}`), serial, app.t("reason_asked")),
      choices(
        REASONS.map((value) => ({ value, word: app.t(`reason_${value}`) })),
        "",
        (value) => {
          reason = value;
          look();
        },
        { label: app.t("reason_asked") },
      ),
      text,
      go,
      bigButton(app.t("do_not_place"), () => fill(told), "plain"),
    );
  };

  const scanned = (text, how) => {
    turn = turn.then(async () => {
      if (current < 0) return;
      performance.mark("scan");
      const { serial } = serialIn(text, pack);
      if (!serial) return;
      const judgement = judge(serial, current, context);
      performance.measure("judgement", "scan");
      if (judgement.level === "good") await enter(serial, judgement, { how });
      else {
        signal(judgement.level);
        ask(serial, judgement, how);
      }
    });
    return turn;
  };

  const undo = async () => {
    const own = state
      .ofKind("module_placed")
      .filter(
        (entry) => entry.device === session.key.device && typeof entry.body.position === "string",
      );
    const last = own.sort((one, two) => one.sequence - two.sequence).at(-1);
    if (!last) {
      fill(told, verdictPanel("note", app.t("nothing_to_undo")));
      return;
    }
    const sure = await app.choose(
      app.t("undo_what", { serial: last.subject, position: last.body.position }),
      [{ value: true, word: app.t("undo"), kind: "first" }],
    );
    if (!sure) return;
    const made = await app.enter([
      {
        kind: "placement_undone",
        subject_kind: "module",
        subject: last.subject,
        supersedes: last.uuid,
        body: { position: last.body.position, reason: "undone" },
      },
    ]);
    if (!made) return;
    fill(told, verdictPanel("note", app.t("undone"), last.subject));
    const back = pack.positionIndex.get(last.body.position);
    if (back !== undefined) move(back);
  };

  const skip = async () => {
    if (current < 0) return;
    const reason = await app.choose(
      app.t("skip_why"),
      SKIP_REASONS.map((value) => ({ value, word: app.t(`skip_${value}`) })),
    );
    if (!reason) return;
    const name = pack.positions[current];
    const made = await app.enter([
      {
        kind: "position_skipped",
        subject_kind: "position",
        subject: name,
        body: { reason, string: pack.strings.string[pack.stringOf[current]] },
      },
    ]);
    if (!made) return;
    skipped.add(name);
    fill(told, verdictPanel("note", app.t("skipped"), name));
    onward();
  };

  const step = (way) => {
    const total = pack.positions.length;
    move(((current < 0 ? 0 : current) + way + total) % total);
    fill(told);
  };
  const box = scanBox(app, {
    onCode: scanned,
    knows: (text) => pack.moduleIndex(serialIn(text, pack).serial) >= 0,
    label: app.t("scan_module"),
  });
  app.placing = { scanned, position: () => (current < 0 ? "" : pack.positions[current]) };
  app.onLeave(() => {
    app.placing = null;
  });
  draw();
  const placing = h(
    "div",
    { class: "placing" },
    head,
    map,
    told,
    box.element,
    h(
      "div",
      { class: "foot row" },
      bigButton(app.t("undo"), undo, "plain", { id: "undo" }),
      bigButton(app.t("skip"), skip, "plain", { id: "skip" }),
      bigButton("‹", () => step(-1), "plain narrow", { "aria-label": app.t("position_before") }),
      bigButton("›", () => step(1), "plain narrow", { "aria-label": app.t("position_next") }),
    ),
  );
  new MutationObserver(() => {
    const deciding = told.querySelector("button") !== null;
    placing.classList.toggle("deciding", deciding);
    if (deciding) scrollTo(0, 0);
  }).observe(told, { childList: true });
  return placing;
}
