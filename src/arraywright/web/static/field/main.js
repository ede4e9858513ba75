// The start of the field page: keep the page, open the store, show the first screen.

import { App } from "./app.js";
import { signingTrouble } from "./entry.js";
import { Session } from "./session.js";
import { askPersistence, Store } from "./store.js";
import { Sync } from "./sync.js";
import { Words } from "./words.js";

const { base, languages, version } = document.documentElement.dataset;

function chosenLanguage(kept) {
  const known = languages.split(" ");
  const wanted = [kept, ...navigator.languages.map((one) => one.toLowerCase().split("-")[0])];
  return wanted.find((one) => known.includes(one)) || known[0];
}

/** The words of the chosen language, out of the store when they are of this version of the page. */
async function wordsAtHand(store) {
  const [kept, wanted] = await Promise.all([store.get("words"), store.get("language", "")]);
  const language = chosenLanguage(wanted);
  if (kept && kept.version === version && kept.language === language) {
    return new Words(language, kept.held);
  }
  const words = await Words.load(base, language);
  store.set("words", { version, language, held: words.held }).catch(() => {});
  return words;
}

async function takeOver(registration) {
  if (!registration || !registration.waiting || !navigator.serviceWorker.controller) return false;
  const changed = new Promise((resolve) => {
    navigator.serviceWorker.addEventListener("controllerchange", resolve, { once: true });
    setTimeout(resolve, 3000);
  });
  registration.waiting.postMessage("take over");
  await changed;
  location.reload();
  return true;
}

async function start() {
  performance.mark("field-modules");
  const worker = navigator.serviceWorker;
  const store = await Store.open();
  const registration = worker ? await worker.getRegistration("/field/") : null;
  // a version that waits takes over before anything is shown, never while somebody works
  if (registration && (await takeOver(registration))) return;
  const [session, words] = await Promise.all([Session.start(store), wordsAtHand(store)]);
  session.words = words;
  performance.mark("field-state");
  const sync = new Sync(session);
  const app = new App({ session, sync, words, base, languages: languages.split(" ") });
  globalThis.arraywright = app;
  app.trouble = session.key ? "" : await signingTrouble();
  await app.start();
  performance.mark("field-ready");
  app.persistent = await askPersistence();
  if (worker) {
    worker
      .register("/field/sw.js", { scope: "/field/", updateViaCache: "none" })
      .then((held) => app.watchVersions(held, () => takeOver(held)))
      .catch(() => app.say("not_kept"));
  }
  sync.keepGoing();
}

start().catch((error) => {
  const screen = document.getElementById("screen");
  screen.textContent = `The field page cannot start: ${error.message}`;
});
