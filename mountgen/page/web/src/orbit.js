// A camera that turns about a point: pointer, fingers, wheel and keys. Turned like a globe, so that up stays up.
import { OrthographicCamera, Vector3 } from "three";

const TURN = 0.008; // radians a pixel
const KEY_TURN = Math.PI / 24;
const STEEPEST = 1.55; // radians off the horizon

export class Orbit {
  constructor(canvas, { box, onChange, onClick, grab }) {
    const [centre, size] = [box.getCenter(new Vector3()), box.getSize(new Vector3())];
    this.far = 5 * size.length() + 100; // rays start at the camera, so it stands before all that may move out
    this.camera = new OrthographicCamera(-1, 1, 1, -1, 0, 2 * this.far);
    Object.assign(this, { canvas, size, home: centre, target: centre.clone(), aspect: 1, onChange, onClick, grab });
    this.fingers = new Map();
    canvas.addEventListener("pointerdown", (e) => this.press(e));
    canvas.addEventListener("pointermove", (e) => this.move(e));
    for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (e) => this.release(e));
    canvas.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    canvas.addEventListener("keydown", (e) => this.key(e));
    canvas.addEventListener("contextmenu", (e) => e.preventDefault());
    this.look(0.45, 0.4);
  }

  /** Looks from a direction: `round` from the mouth's front to the right, `above` the horizon, radians. */
  look(round, above) {
    Object.assign(this, { round, above, span: 1 });
    this.target.copy(this.home);
    this.update();
    const { x: right, y: up } = this.reach();
    this.half = { across: right, up };
    this.update();
  }

  /** Returns how far the scene reaches from its middle to the right and up on the screen, mm. */
  reach() {
    const axes = [new Vector3(), new Vector3(), new Vector3()];
    this.camera.matrixWorld.extractBasis(...axes);
    const [x, y] = axes.map((axis) => (Math.abs(axis.x) * this.size.x + Math.abs(axis.y) * this.size.y + Math.abs(axis.z) * this.size.z) / 2);
    return { x, y };
  }

  /** Sets the shape of the picture: what is looked at fits in. */
  resize(width, height) {
    this.aspect = width / height;
    this.update();
  }

  update() {
    const wanted = this.half ?? { across: 1, up: 1 };
    const up = (1.04 * Math.max(wanted.up, wanted.across / this.aspect)) / this.span;
    const across = up * this.aspect;
    Object.assign(this.camera, { left: -across, right: across, top: up, bottom: -up });
    const flat = Math.cos(this.above);
    const from = new Vector3(Math.sin(this.round) * flat, Math.sin(this.above), Math.cos(this.round) * flat);
    this.camera.position.copy(this.target).addScaledVector(from, this.far);
    this.camera.lookAt(this.target);
    this.camera.updateProjectionMatrix();
    this.camera.updateMatrixWorld();
    this.onChange();
  }

  /** Millimetres a pixel. */
  get pixel() {
    return (this.camera.top - this.camera.bottom) / this.canvas.clientHeight;
  }

  turn(x, y) {
    this.round -= x;
    this.above = Math.min(STEEPEST, Math.max(-STEEPEST, this.above + y));
    this.update();
  }

  shift(x, y) {
    const [right, up] = [new Vector3(), new Vector3()];
    this.camera.matrixWorld.extractBasis(right, up, new Vector3());
    this.target.addScaledVector(right, -x * this.pixel).addScaledVector(up, y * this.pixel);
    this.update();
  }

  zoom(factor) {
    this.span = Math.min(60, Math.max(0.4, this.span * factor));
    this.update();
  }

  press(event) {
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.travelled = this.fingers.size > 1 ? Infinity : 0;
    this.held = this.fingers.size === 1 ? this.grab(event) : null;
  }

  move(event) {
    const last = this.fingers.get(event.pointerId);
    if (!last) return;
    const [x, y] = [event.clientX - last.x, event.clientY - last.y];
    this.travelled += Math.hypot(x, y);
    if (this.fingers.size === 2) this.pinch(event, x, y);
    else if (this.held) this.held(x, y);
    else if (event.shiftKey || event.buttons & 2) this.shift(x, y);
    else this.turn(x * TURN, y * TURN);
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  }

  pinch(event, x, y) {
    const [, other] = [...this.fingers].find(([id]) => id !== event.pointerId);
    const last = this.fingers.get(event.pointerId);
    const before = Math.hypot(last.x - other.x, last.y - other.y);
    const after = Math.hypot(event.clientX - other.x, event.clientY - other.y);
    this.shift(x / 2, y / 2);
    if (before > 0) this.zoom(after / before);
  }

  release(event) {
    if (!this.fingers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && this.travelled < 5 && !this.held) this.onClick(event.clientX, event.clientY);
    this.held = null;
  }

  /** Zooms only after the view was clicked or reached by key, so that a wheel over it still scrolls the page. */
  wheel(event) {
    if (document.activeElement !== this.canvas) return;
    event.preventDefault();
    this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)));
  }

  key(event) {
    const turns = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (turns && event.shiftKey) this.shift(24 * turns[0], 24 * turns[1]);
    else if (turns) this.turn(KEY_TURN * turns[0], KEY_TURN * turns[1]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.2);
    else if (event.key === "-") this.zoom(1 / 1.2);
    else if (event.key === "Enter" || event.key === " ") this.clickMiddle();
    else return;
    event.preventDefault();
  }

  clickMiddle() {
    const box = this.canvas.getBoundingClientRect();
    this.onClick(box.left + box.width / 2, box.top + box.height / 2);
  }
}
