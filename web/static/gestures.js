// Mouse, touch and keys on a TraceStack.

const WHEEL_STEP = 0.0015;
const DRAG_PX = 6;

export function attach(stack) {
  const { root } = stack;
  const select = root.querySelector(".sl-select");
  const pointers = new Map();
  let start = null;

  root.addEventListener("wheel", (event) => {
    if (!event.target.closest(".sl-plot, .sl-axis")) return;
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) stack.pan(event.deltaX / stack.plotWidth);
    else stack.zoom(Math.exp(event.deltaY * WHEEL_STEP), stack.timeAt(event.clientX));
  }, { passive: false });

  root.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    root.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, event);
    const isPan = event.pointerType === "touch" || event.shiftKey;
    start = { x: event.clientX, view: { ...stack.view }, isPan, spread: spread(pointers), moved: false };
  });

  root.addEventListener("pointermove", (event) => {
    if (!pointers.has(event.pointerId)) {
      if (event.pointerType !== "touch") stack.showCursor(stack.timeAt(event.clientX));
      return;
    }
    pointers.set(event.pointerId, event);
    if (pointers.size === 2) return pinch(stack, pointers, start);
    const by = event.clientX - start.x;
    if (Math.abs(by) < DRAG_PX && !start.moved) return;
    start.moved = true;
    if (start.isPan) {
      const seconds = (by / stack.plotWidth) * (start.view.to - start.view.from);
      stack.setView(start.view.from - seconds, start.view.to - seconds);
    } else {
      showSelection(stack, select, start.x, event.clientX);
    }
  });

  const finish = (event) => {
    if (!pointers.delete(event.pointerId) || start === null) return;
    select.hidden = true;
    if (pointers.size === 1) {
      const [left] = pointers.values(); // one finger of a pinch is still down: it goes on moving the view from here
      start = { x: left.clientX, view: { ...stack.view }, isPan: true, spread: 0, moved: true };
      return;
    }
    const { x, isPan, moved } = start;
    start = null;
    if (event.type === "pointercancel") return;
    if (!moved) stack.showCursor(stack.timeAt(event.clientX));
    else if (!isPan) {
      const ends = [stack.timeAt(x), stack.timeAt(event.clientX)].sort((a, b) => a - b);
      stack.setView(ends[0], ends[1]);
    }
  };
  root.addEventListener("pointerup", finish);
  root.addEventListener("pointercancel", finish);
  root.addEventListener("pointerleave", (event) => {
    if (pointers.size === 0 && event.pointerType === "mouse") stack.showCursor(null);
  });
  root.addEventListener("keydown", (event) => {
    const action = keyAction(stack, event);
    if (!action || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    action();
  });
}

function keyAction(stack, event) {
  const middle = (stack.view.from + stack.view.to) / 2;
  const step = (stack.view.to - stack.view.from) / 100;
  const sign = event.key === "ArrowLeft" ? -1 : 1;
  switch (event.key) {
    case "ArrowLeft":
    case "ArrowRight":
      if (event.shiftKey) return () => stack.showCursor((stack.cursorAt ?? middle) + sign * step);
      return () => stack.pan(sign * 0.2);
    case "+":
    case "=":
      return () => stack.zoom(0.5, stack.cursorAt ?? middle);
    case "-":
      return () => stack.zoom(2, stack.cursorAt ?? middle);
    case "0":
      return () => stack.setView(stack.chart.from_s, stack.chart.to_s);
    case "Home":
      return () => jumpToPulses(stack);
    case "Escape":
      return () => stack.showCursor(null);
    default:
      return null;
  }
}

/** Close enough around the first bad firing that every pulse stands alone. */
export function jumpToPulses(stack) {
  const at = stack.chart.engine_onset_s ?? stack.chart.zero_s;
  stack.setView(at - 0.15, at + 0.25);
}

function spread(pointers) {
  const xs = [...pointers.values()].map((pointer) => pointer.clientX);
  return xs.length === 2 ? Math.max(Math.abs(xs[0] - xs[1]), 10) : 0;
}

function pinch(stack, pointers, start) {
  if (!start.spread) return;
  const xs = [...pointers.values()].map((pointer) => pointer.clientX);
  const factor = start.spread / spread(pointers);
  const around = stack.timeAt((xs[0] + xs[1]) / 2);
  start.spread = spread(pointers);
  stack.zoom(factor, around);
}

function showSelection(stack, select, a, b) {
  const box = stack.root.getBoundingClientRect();
  const [left, right] = [Math.min(a, b) - box.left, Math.max(a, b) - box.left];
  select.hidden = false;
  select.style.left = `${left}px`;
  select.style.width = `${right - left}px`;
}
