// Photographs: made smaller on the phone, named by their content, kept with the entry.

import { hex, sha256 } from "./entry.js";
import { fill, h } from "./ui.js";

const LONGEST_SIDE = 1600;
const QUALITY = 0.8;

async function smaller(file) {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  return new Promise((resolve, reject) => {
    canvas.toBlob(
      (blob) => (blob ? resolve(blob) : reject(new Error("no picture"))),
      "image/jpeg",
      QUALITY,
    );
  });
}

/** A field for photographs; `files()` gives what is to be kept and `named()` what an entry names. */
export function photoField(app, label) {
  const held = [];
  const { words } = app;
  const list = h("div", { class: "photos" });
  const told = h("p", { class: "told", role: "status" });
  const show = () => {
    fill(
      list,
      ...held.map((one, place) =>
        h(
          "figure",
          {},
          h("img", { src: one.url, alt: `${words.t("photo")} ${place + 1}` }),
          h(
            "button",
            {
              type: "button",
              class: "side",
              "aria-label": `${words.t("take_away")} ${place + 1}`,
              onclick: () => {
                URL.revokeObjectURL(one.url);
                held.splice(place, 1);
                show();
              },
            },
            "✕",
          ),
        ),
      ),
    );
  };
  const input = h("input", {
    type: "file",
    accept: "image/*",
    capture: "environment",
    class: "hidden-file",
  });
  input.addEventListener("change", async () => {
    told.textContent = "";
    for (const file of input.files) {
      try {
        const blob = await smaller(file);
        const digest = hex(await sha256(new Uint8Array(await blob.arrayBuffer())));
        if (!held.some((one) => one.sha256 === digest)) {
          const name = `photo-${digest.slice(0, 8)}.jpg`;
          held.push({
            sha256: digest,
            size: blob.size,
            name,
            blob,
            url: URL.createObjectURL(blob),
          });
        }
      } catch {
        told.textContent = words.t("photo_unreadable");
      }
    }
    input.value = "";
    show();
  });
  const button = h("label", { class: "big plain" }, label, input);
  app.onLeave(() => held.forEach((one) => URL.revokeObjectURL(one.url)));
  return {
    element: h("div", { class: "photo-field" }, button, list, told),
    count: () => held.length,
    files: () =>
      held.map(({ sha256: digest, size, name, blob }) => ({ sha256: digest, size, name, blob })),
    named: () => held.map(({ sha256: digest, size, name }) => ({ sha256: digest, size, name })),
  };
}
