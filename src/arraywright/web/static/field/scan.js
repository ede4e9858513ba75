// Getting a code into the page: camera, scanner that types, or fingers.

import { byEnding, ReadGate } from "./code.js";
import { fill, h } from "./ui.js";

const FRAME_MS = 120;
const LONGEST_SIDE = 1280;
const KEY_GAP_MS = 45;

let worker = null;
let waiting = new Map();
let numbers = 0;

function decoder() {
  if (!worker) {
    worker = new Worker(new URL("./decode_worker.js", import.meta.url), { type: "module" });
    worker.addEventListener("message", ({ data }) => {
      const resolve = waiting.get(data.id);
      if (!resolve) return;
      waiting.delete(data.id);
      resolve(data.codes);
    });
    worker.addEventListener("error", () => {
      for (const resolve of waiting.values()) resolve([]);
      waiting = new Map();
    });
  }
  return worker;
}

/** Read the codes in a picture (ImageData), looking at it in these ways until one finds any. */
export function decode(image, ways = [0, 1, 2, 3, 4]) {
  const id = (numbers += 1);
  return new Promise((resolve) => {
    waiting.set(id, resolve);
    decoder().postMessage({ id, image, ways });
  });
}

class Camera {
  constructor(video, onframe) {
    this.video = video;
    this.onframe = onframe;
    this.stream = null;
    this.canvas = document.createElement("canvas");
    this.going = false;
    this.frames = 0;
  }

  async start() {
    this.stream = await navigator.mediaDevices.getUserMedia({
      audio: false,
      video: {
        facingMode: { ideal: "environment" },
        width: { ideal: 1920 },
        height: { ideal: 1080 },
      },
    });
    this.video.srcObject = this.stream;
    await this.video.play();
    this.going = true;
    this.#loop();
  }

  get torchPossible() {
    const [track] = this.stream ? this.stream.getVideoTracks() : [];
    return Boolean(track && track.getCapabilities && track.getCapabilities().torch);
  }

  async torch(on) {
    const [track] = this.stream.getVideoTracks();
    await track.applyConstraints({ advanced: [{ torch: on }] });
  }

  async #loop() {
    while (this.going) {
      const start = performance.now();
      const { videoWidth: width, videoHeight: height } = this.video;
      if (width && height) {
        const scale = Math.min(1, LONGEST_SIDE / Math.max(width, height));
        this.canvas.width = Math.round(width * scale);
        this.canvas.height = Math.round(height * scale);
        const draw = this.canvas.getContext("2d", { willReadFrequently: true });
        draw.drawImage(this.video, 0, 0, this.canvas.width, this.canvas.height);
        const image = draw.getImageData(0, 0, this.canvas.width, this.canvas.height);
        // every picture plainly, and in one further way, each in turn
        this.frames += 1;
        const codes = await decode(image, [0, 1 + (this.frames % 4)]);
        if (this.going && codes.length) this.onframe(codes);
      }
      const rest = FRAME_MS - (performance.now() - start);
      await new Promise((resolve) => setTimeout(resolve, Math.max(10, rest)));
    }
  }

  stop() {
    this.going = false;
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    this.stream = null;
  }
}

/**
 * A box to scan or type into.
 *
 * @param app the application (words, session)
 * @param options onCode(text, how) is called with `camera`, `scanner` or `typed`; knows(text) says
 *   whether the pack knows what a camera read; pallets turns off what is for serials only
 */
export function scanBox(app, { onCode, knows = () => false, label, serials = true }) {
  const { words } = app;
  const gate = new ReadGate();
  let camera = null;
  let quietUntil = 0;
  let lastKey = 0;
  let fast = true;
  const hint = h("div", { class: "hint", "aria-live": "polite" });
  const input = h("input", {
    type: "text",
    class: "code",
    id: "code",
    autocomplete: "off",
    autocapitalize: "characters",
    spellcheck: false,
    inputmode: "text",
    enterkeyhint: "done",
    placeholder: label || words.t("scan_or_type"),
    "aria-label": label || words.t("scan_or_type"),
  });
  const give = (text, how) => {
    const code = text.trim();
    if (!code) return;
    input.value = "";
    fill(hint);
    onCode(code, how);
    if (camera === null && document.activeElement !== input) input.focus({ preventScroll: true });
  };
  input.addEventListener("keydown", (event) => {
    const now = performance.now();
    if (event.key === "Enter") {
      event.preventDefault();
      give(input.value, fast && input.value.length >= 6 ? "scanner" : "typed");
      fast = true;
      return;
    }
    if (input.value.length && now - lastKey > KEY_GAP_MS) fast = false;
    if (!input.value.length) fast = true;
    lastKey = now;
  });
  input.addEventListener("input", () => {
    if (!serials || !app.session.pack) return;
    fill(hint);
    const text = input.value.trim();
    if (text.length < 3 || app.session.pack.moduleIndex(text.toUpperCase()) >= 0) return;
    const ending = byEnding(text, app.session.pack, 4);
    if (ending.length > 3) {
      hint.append(h("span", {}, words.t("many_end_so")));
      return;
    }
    for (const serial of ending) {
      hint.append(
        h(
          "button",
          { type: "button", class: "choice", onclick: () => give(serial, "last_digits") },
          serial,
        ),
      );
    }
  });
  const video = h("video", { playsInline: true, muted: true, hidden: true });
  const torch = h(
    "button",
    { type: "button", class: "side", hidden: true, "aria-pressed": "false" },
    words.t("torch"),
  );
  const eye = h("button", { type: "button", class: "side", id: "camera" }, words.t("camera"));
  const done = h("button", { type: "button", class: "side", id: "take" }, words.t("take"));
  done.addEventListener("click", () => give(input.value, "typed"));
  torch.addEventListener("click", async () => {
    const on = torch.getAttribute("aria-pressed") !== "true";
    try {
      await camera.torch(on);
      torch.setAttribute("aria-pressed", String(on));
    } catch {
      torch.hidden = true;
    }
  });
  const stop = () => {
    if (camera) camera.stop();
    camera = null;
    video.hidden = true;
    torch.hidden = true;
    eye.textContent = words.t("camera");
  };
  eye.addEventListener("click", async () => {
    if (camera) {
      stop();
      return;
    }
    camera = new Camera(video, (codes) => {
      if (performance.now() < quietUntil) return;
      for (const { text } of codes) {
        const taken = gate.take(text, knows);
        if (!taken) continue;
        quietUntil = performance.now() + 1200;
        give(taken, "camera");
        return;
      }
    });
    try {
      video.hidden = false;
      await camera.start();
      eye.textContent = words.t("camera_off");
      torch.hidden = !camera.torchPossible;
      torch.setAttribute("aria-pressed", "false");
    } catch (error) {
      stop();
      const denied = error && error.name === "NotAllowedError";
      fill(hint, h("span", {}, words.t(denied ? "camera_denied" : "camera_none")));
    }
  });
  // a scanner that types sends its keys to the page when nothing has the focus
  const catchKeys = (event) => {
    const tag = event.target.tagName;
    if (event.key.length !== 1 || event.ctrlKey || event.metaKey || event.altKey) return;
    if (["INPUT", "TEXTAREA", "SELECT"].includes(tag)) return;
    input.focus({ preventScroll: true });
  };
  document.addEventListener("keydown", catchKeys);
  const element = h(
    "div",
    { class: "scan" },
    video,
    h("div", { class: "line" }, input, done),
    h("div", { class: "line" }, eye, torch),
    hint,
  );
  app.onLeave(() => {
    stop();
    document.removeEventListener("keydown", catchKeys);
  });
  return { element, input, hint };
}
