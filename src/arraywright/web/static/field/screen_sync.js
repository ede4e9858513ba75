// What is unsent, sending it, and carrying it by hand.

import { exportUnsent, importEntries } from "./sync.js";
import { bigButton, fill, h, verdictPanel } from "./ui.js";

function download(blob, name) {
  const url = URL.createObjectURL(blob);
  const link = h("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}

export async function syncing(app) {
  const { session, sync } = app;
  const box = h("div", {});
  const draw = async () => {
    const { unsent } = session;
    const waiting = await session.store.unsent();
    const refused = waiting.filter((entry) => entry.refused);
    const { phase, error, compared } = sync.status;
    const at = await session.store.get("synced_at", 0);
    const count = unsent.entries + unsent.files;
    const panel =
      phase === "failed"
        ? verdictPanel(
            "ask",
            app.t(error === "offline" ? "offline_now" : "sync_failed"),
            error === "offline"
              ? app.t("offline_what")
              : app.words.has(`error_${error}`)
                ? app.t(`error_${error}`)
                : error,
          )
        : ["sending", "fetching", "comparing"].includes(phase)
          ? verdictPanel("open", app.t(phase))
          : compared && !compared.same
            ? verdictPanel(
                "ask",
                app.t("counts_differ", { here: compared.entries, there: compared.there }),
              )
            : count
              ? verdictPanel("open", app.t("waits_here"))
              : verdictPanel("good", app.t("all_sent"));
    const input = h("input", {
      type: "file",
      class: "hidden-file",
      accept: ".jsonl,.txt,application/x-ndjson,text/plain",
      multiple: true,
    });
    input.addEventListener("change", async () => {
      let [added, wrong] = [0, 0];
      for (const file of input.files) {
        const told = await importEntries(session.store, await file.text(), session.key.device);
        added += told.added;
        wrong += told.refused;
        for (const entry of told.entries) session.state.add(entry);
      }
      await session.count();
      session.dispatchEvent(new Event("recorded"));
      await app.choose(app.t("imported", { n: added }), [], {
        detail: wrong ? app.t("import_refused", { n: wrong }) : "",
      });
      draw();
    });
    fill(
      box,
      h(
        "p",
        { class: "figure" },
        h("strong", { id: "count" }, String(count)),
        h("span", {}, app.t("unsent")),
      ),
      panel,
      h(
        "p",
        {},
        app.t("unsent_line", {
          entries: unsent.entries,
          files: unsent.files,
          carried: unsent.carried,
        }),
      ),
      at ? h("p", {}, app.t("synced_at", { time: app.words.time(at) })) : null,
      refused.length
        ? h(
            "section",
            { class: "refused" },
            h("p", { class: "large" }, app.t("refused_n", { n: refused.length })),
            h(
              "ul",
              {},
              refused
                .slice(0, 20)
                .map((entry) => h("li", {}, `${entry.kind} ${entry.subject}: ${entry.refused}`)),
            ),
          )
        : null,
      bigButton(app.t("send_now"), () => sync.run().catch(() => {}), "first", { id: "send" }),
      bigButton(
        app.t("export"),
        async () => {
          const told = await exportUnsent(session.store);
          const name = `arraywright-${session.key.device.slice(0, 8)}-${new Date().toISOString().slice(0, 10)}`;
          download(told.entries, `${name}.entries.jsonl`);
          if (told.files.size) download(told.files, `${name}.files.jsonl`);
        },
        "plain",
        { id: "export", disabled: !count },
      ),
      h("label", { class: "big plain" }, app.t("import"), input),
      h("p", { class: "small" }, app.t("export_what")),
    );
  };
  const again = () => draw();
  sync.addEventListener("status", again);
  session.addEventListener("counted", again);
  app.onLeave(() => {
    sync.removeEventListener("status", again);
    session.removeEventListener("counted", again);
  });
  await draw();
  return box;
}
