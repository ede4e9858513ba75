// Scan anything and see what it is: class, pallet, where it is planned and where it sits.

import { nearSerials, serialIn } from "./code.js";
import { scanBox } from "./scan.js";
import { fill, h, signal, verdictPanel } from "./ui.js";

export function find(app) {
  const { session } = app;
  const { pack, state } = session;
  const told = h("div", { class: "told", "aria-live": "polite" });
  const show = (text) => {
    const { serial, known } = serialIn(text, pack);
    const module = pack.moduleIndex(serial);
    if (module < 0) {
      signal(known ? "ask" : "bad");
      const near = known ? [] : nearSerials(serial, pack);
      fill(
        told,
        verdictPanel(
          known ? "ask" : "bad",
          app.t(known ? "judge_other_block" : "judge_unknown"),
          serial,
          near.length ? app.t("did_you_mean", { serials: near.join(", ") }) : "",
        ),
      );
      return;
    }
    signal("good");
    const planned = pack.planned.indexOf(serial);
    const where = state.where(serial);
    const pallet = pack.palletOf[module];
    const flags = [];
    if (serial in pack.status.recalled || state.recalled.has(serial)) flags.push("judge_recalled");
    if (pack.status.pallets[pallet] === "hold") flags.push("judge_held");
    if (pack.status.pallets[pallet] === "refuse") flags.push("judge_refused");
    if (serial in pack.status.apart || state.apart.has(serial)) flags.push("judge_apart");
    const rows = [
      [app.t("serial"), serial],
      [app.t("class"), pack.className(pack.classOf[module])],
      [app.t("pallet"), pallet || "–"],
      [app.t("planned_at"), planned >= 0 ? pack.positions[planned] : "–"],
      [app.t("sits_at"), where.length ? where.map((one) => one.position).join(", ") : "–"],
    ];
    fill(
      told,
      flags.length ? verdictPanel("bad", flags.map((flag) => app.t(flag)).join(", ")) : "",
      h(
        "dl",
        { class: "facts" },
        rows.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]),
      ),
    );
  };
  const box = scanBox(app, {
    onCode: show,
    knows: (text) => pack.moduleIndex(serialIn(text, pack).serial) >= 0,
  });
  return h("div", {}, box.element, told);
}
