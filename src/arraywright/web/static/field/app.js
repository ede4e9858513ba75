// The frame of every screen: back, title, unsent count; and what must be said wherever one is.

import { storageRoom } from "./store.js";
import { SCREENS } from "./screens.js";
import { bigButton, fill, h, signal } from "./ui.js";

export class App {
  constructor({ session, sync, words, base, languages }) {
    this.session = session;
    this.sync = sync;
    this.words = words;
    this.base = base;
    this.languages = languages;
    this.bar = document.getElementById("bar");
    this.screen = document.getElementById("screen");
    this.leaving = [];
    this.trouble = "";
    this.persistent = false;
    this.newVersion = null;
    this.notes = new Set();
    this.title = "";
    this.parent = "";
  }

  t(key, gaps) {
    return this.words.t(key, gaps);
  }

  start() {
    const root = document.documentElement;
    root.lang = this.words.language;
    root.dir = this.words.direction;
    this.session.addEventListener("counted", () => this.drawBar());
    this.sync.addEventListener("status", () => this.drawBar());
    addEventListener("hashchange", () => this.show());
    addEventListener("online", () => this.drawBar());
    addEventListener("offline", () => this.drawBar());
    this.checkRoom();
    return this.show();
  }

  async checkRoom() {
    this.room = await storageRoom();
    this.drawBar();
    setTimeout(() => this.checkRoom(), 60000);
  }

  watchVersions(registration, change) {
    const look = () => {
      if (registration.waiting && navigator.serviceWorker.controller) {
        this.newVersion = change;
        this.drawBar();
      }
    };
    look();
    registration.addEventListener("updatefound", () => {
      const fresh = registration.installing;
      if (fresh) fresh.addEventListener("statechange", look);
    });
    setInterval(() => registration.update().catch(() => {}), 3600000);
  }

  say(note) {
    this.notes.add(note);
    this.drawBar();
  }

  onLeave(work) {
    this.leaving.push(work);
  }

  go(path) {
    if (location.hash === `#${path}`) this.show();
    else location.hash = path;
  }

  /** Show the screen of the address; what cannot be shown yet leads to what must come first. */
  async show() {
    for (const work of this.leaving.splice(0)) work();
    const shown = (this.turn = (this.turn || 0) + 1);
    let [name, ...rest] = location.hash.replace(/^#\/?/, "").split("/").map(decodeURIComponent);
    const code = location.pathname === "/field/enrol" ? location.hash.slice(1) : "";
    if (code && !code.startsWith("/") && !this.session.profile) [name, rest] = ["enrol", [code]];
    else if (code && !code.startsWith("/")) {
      history.replaceState(null, "", "/field/");
      name = "";
    }
    let found = SCREENS[name] || SCREENS.home;
    if (!this.session.profile && !found.always) found = SCREENS.enrol;
    else if (!this.session.pack && found.pack) found = SCREENS.blocks;
    this.parent = found.parent || "";
    this.title = this.t(found.title);
    document.title = `${this.title} – Arraywright`;
    const content = await found.draw(this, ...rest);
    if (shown !== this.turn) return;
    this.drawBar();
    fill(this.screen, content);
    this.screen.dataset.screen = name || "home";
    scrollTo(0, 0);
    const first = this.screen.querySelector("[data-first]");
    if (first) first.focus({ preventScroll: true });
  }

  /** Everything that is wrong or waits, each with the place where it is put right. */
  troubles() {
    const out = [];
    const { session } = this;
    const clock = session.clockTrouble();
    if (this.trouble) out.push(["bad", this.trouble, "/help"]);
    if (session.storageFull) out.push(["bad", "storage_full", "/sync"]);
    else if (this.room && this.room.nearly_full) out.push(["ask", "storage_low", "/sync"]);
    if (clock) out.push(["ask", clock, "/help"]);
    const conflicts = session.pack ? session.state.conflicts().length : 0;
    if (conflicts) out.push(["ask", "conflicts_wait", "/conflicts", { n: conflicts }]);
    if (session.profile && this.sync.status.error && this.sync.status.error !== "offline") {
      out.push(["ask", "sync_failed", "/sync"]);
    }
    for (const note of this.notes) out.push(["note", note, "/help"]);
    return out;
  }

  drawBar() {
    const { unsent } = this.session;
    const count = unsent.entries + unsent.files;
    const back =
      this.parent === "" && !location.hash.replace(/^#\/?/, "")
        ? h("span", { class: "back" })
        : h(
            "button",
            {
              type: "button",
              class: "back",
              id: "back",
              "aria-label": this.t("back"),
              onclick: () => this.go(`/${this.parent}`),
            },
            h("span", { class: "arrow", "aria-hidden": "true" }, "←"),
          );
    const sending = ["sending", "fetching", "comparing"].includes(this.sync.status.phase);
    const mark = sending ? "↻" : count ? "↑" : "✓";
    const chip = h(
      "button",
      {
        type: "button",
        id: "unsent",
        class: `chip ${count ? "waits" : "sent"}`,
        "aria-label": this.t("unsent_n", { n: count }),
        onclick: () => this.go("/sync"),
      },
      h("span", { "aria-hidden": "true" }, mark),
      h("strong", {}, String(count)),
    );
    const strip = this.troubles().map(([level, key, path, gaps]) =>
      h(
        "button",
        { type: "button", class: `strip ${level}`, onclick: () => this.go(path) },
        this.t(key, gaps),
      ),
    );
    if (this.newVersion) {
      strip.push(
        h(
          "button",
          { type: "button", class: "strip note", onclick: () => this.newVersion() },
          this.t("new_version"),
        ),
      );
    }
    fill(this.bar, h("div", { class: "line" }, back, h("h1", {}, this.title), chip), ...strip);
  }

  /** Enter something and say so; what goes wrong is said as plainly. Gives null when it did. */
  async enter(fresh, files = []) {
    try {
      const made = await this.session.record(fresh, files);
      return made;
    } catch (error) {
      signal("bad");
      this.alert(error);
      return null;
    }
  }

  alert(error) {
    const key = `error_${error.code}`;
    const text = this.words.has(key) ? this.t(key) : this.t("error_other", { what: error.message });
    const box = h(
      "div",
      { class: "alert", role: "alertdialog", "aria-modal": "true", "aria-label": text },
      h(
        "div",
        { class: "sheet" },
        h("p", { class: "large" }, text),
        bigButton(this.t("understood"), () => box.remove(), "first"),
      ),
    );
    document.body.append(box);
    box.querySelector("button").focus();
  }

  /** Ask with a sheet over the screen; resolves with what was chosen, null when put away. */
  choose(question, options, { detail = "", level = "ask" } = {}) {
    return new Promise((resolve) => {
      const end = (value) => {
        box.remove();
        resolve(value);
      };
      const box = h(
        "div",
        { class: "alert", role: "dialog", "aria-modal": "true", "aria-label": question },
        h(
          "div",
          { class: `sheet ${level}` },
          h("p", { class: "large" }, question),
          detail ? h("p", {}, detail) : null,
          options.map(({ value, word, kind }) =>
            bigButton(word, () => end(value), kind || "plain"),
          ),
          bigButton(this.t("back"), () => end(null), "plain"),
        ),
      );
      this.onLeave(() => box.remove());
      document.body.append(box);
      box.querySelector("button").focus();
    });
  }
}
