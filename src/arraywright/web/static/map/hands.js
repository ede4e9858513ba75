// @ts-check
// Mouse, fingers, wheel and keys on the map.

const STEP_PX = 80;
const STILL_PX = 5;

/**
 * Let a map page be moved by hand.
 * @param {any} page
 */
export function listenTo(page) {
  const { ground, view } = page;
  /** @type {Map<number, {x: number, y: number}>} */
  const fingers = new Map();
  let travelled = 0;

  const at = (/** @type {MouseEvent} */ event) => {
    const held = ground.getBoundingClientRect();
    return { x: event.clientX - held.left, y: event.clientY - held.top };
  };
  const spread = () => {
    const [one, other] = [...fingers.values()];
    return {
      x: (one.x + other.x) / 2,
      y: (one.y + other.y) / 2,
      apart: Math.max(Math.hypot(one.x - other.x, one.y - other.y), 1),
    };
  };

  ground.addEventListener("pointerdown", (/** @type {PointerEvent} */ event) => {
    if (event.button !== 0) return;
    ground.setPointerCapture(event.pointerId);
    if (fingers.size === 0) travelled = 0;
    fingers.set(event.pointerId, at(event));
  });
  ground.addEventListener("pointermove", (/** @type {PointerEvent} */ event) => {
    const now = at(event);
    const before = fingers.get(event.pointerId);
    if (!before) {
      page.hover(now.x, now.y);
      return;
    }
    travelled += Math.hypot(now.x - before.x, now.y - before.y);
    if (fingers.size === 2) {
      const was = spread();
      fingers.set(event.pointerId, now);
      const is = spread();
      view.pan(is.x - was.x, is.y - was.y);
      view.zoom(is.apart / was.apart, is.x, is.y);
    } else {
      fingers.set(event.pointerId, now);
      if (travelled < STILL_PX) return;
      view.pan(now.x - before.x, now.y - before.y);
    }
    page.hover(-1, -1);
    page.moved();
  });
  const lift = (/** @type {PointerEvent} */ event) => {
    const last = fingers.get(event.pointerId);
    fingers.delete(event.pointerId);
    if (event.type === "pointerup" && last && fingers.size === 0 && travelled < STILL_PX) {
      page.chooseAt(last.x, last.y, false);
    }
  };
  ground.addEventListener("pointerup", lift);
  ground.addEventListener("pointercancel", lift);
  ground.addEventListener("pointerleave", () => page.hover(-1, -1));
  ground.addEventListener(
    "wheel",
    (/** @type {WheelEvent} */ event) => {
      event.preventDefault();
      const now = at(event);
      const lines = event.deltaMode === 1 ? 16 * event.deltaY : event.deltaY;
      view.zoom(Math.exp(-Math.min(Math.max(lines, -240), 240) / 320), now.x, now.y);
      page.moved();
    },
    { passive: false },
  );

  /** @type {Record<string, () => void>} */
  const keys = {
    ArrowLeft: () => view.pan(STEP_PX, 0),
    ArrowRight: () => view.pan(-STEP_PX, 0),
    ArrowUp: () => view.pan(0, STEP_PX),
    ArrowDown: () => view.pan(0, -STEP_PX),
    "+": () => view.zoom(1.5),
    "=": () => view.zoom(1.5),
    "-": () => view.zoom(1 / 1.5),
    0: () => view.fitWhole(),
    Home: () => view.fitWhole(),
    Enter: () => page.chooseAt(view.width / 2, view.height / 2, true),
    Escape: () => page.choose(-1),
  };
  ground.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
    const act = event.ctrlKey || event.metaKey || event.altKey ? undefined : keys[event.key];
    if (!act) return;
    event.preventDefault();
    act();
    page.moved();
  });
  for (const [id, act] of /** @type {[string, () => void][]} */ ([
    ["map-nearer", () => view.zoom(1.6)],
    ["map-farther", () => view.zoom(1 / 1.6)],
    ["map-whole", () => view.fitWhole()],
  ])) {
    document.getElementById(id)?.addEventListener("click", () => {
      act();
      page.moved();
    });
  }
}
