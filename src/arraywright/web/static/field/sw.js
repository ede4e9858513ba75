// Keeps one whole version of the field page. VERSION and ASSETS stand above, put there by the
// server. A version is kept whole or not at all, and every file's address names its version, so two
// versions never mix.

const CACHE = `field-${VERSION}`;

async function keepWhole() {
  const cache = await caches.open(CACHE);
  const shell = await fetch("/field/", { cache: "no-store" });
  const text = await shell.clone().text();
  if (!shell.ok || !text.includes(VERSION))
    throw new Error("the server has another version by now");
  await cache.put("/field/", shell);
  const rest = ASSETS.filter((address) => address !== "/field/");
  await Promise.all(
    rest.map(async (address) => {
      const answer = await fetch(address, { cache: "no-cache" });
      if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
      await cache.put(address, answer);
    }),
  );
}

addEventListener("install", (event) => {
  event.waitUntil(
    keepWhole().catch(async (error) => {
      await caches.delete(CACHE);
      throw error;
    }),
  );
});

addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      // a page of the version before may still be open and need its files
      const names = (await caches.keys()).filter((name) => name.startsWith("field-"));
      const old = names.filter((name) => name !== CACHE);
      for (const name of old.slice(0, -1)) await caches.delete(name);
      await clients.claim();
    })(),
  );
});

addEventListener("message", (event) => {
  if (event.data === "take over") skipWaiting();
});

addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (request.mode === "navigate" && address.pathname.startsWith("/field/")) {
    event.respondWith(
      (async () => {
        const cache = await caches.open(CACHE);
        return (await cache.match("/field/")) || fetch(request);
      })(),
    );
    return;
  }
  const kept =
    address.pathname.startsWith("/field/app/") ||
    address.pathname === "/field/manifest.webmanifest";
  if (!kept) return;
  event.respondWith(
    (async () => (await caches.match(request, { ignoreVary: true })) || fetch(request))(),
  );
});
