// The picture: renders when something changed, and only then.
import {
  AmbientLight, Box3, DirectionalLight, Mesh, MeshBasicMaterial, Scene, SphereGeometry, Vector3, WebGLRenderer,
} from "three";
import { Cut } from "./cut.js";
import { makeLayer } from "./layers.js";
import { Orbit } from "./orbit.js";
import { pick } from "./pick.js";

export class View {
  constructor(canvas, unpacked, { ramp, least, colours, onPick, onCut }) {
    Object.assign(this, { canvas, onPick, onCut, dirty: false });
    this.renderer = new WebGLRenderer({ canvas, antialias: true, alpha: true, powerPreference: "low-power" });
    this.renderer.localClippingEnabled = true;
    this.scene = new Scene();
    this.lamp = new DirectionalLight(0xffffff, 1.6);
    this.scene.add(new AmbientLight(0xffffff, 1.7), this.lamp, this.lamp.target);
    const box = measure(unpacked);
    this.cut = new Cut(box.clone().expandByScalar(0.5), colours.mark);
    this.layers = unpacked.map((each) => makeLayer(each, { ramp, least, colours, planes: this.cut.planes }));
    this.marker = new Mesh(new SphereGeometry(1, 20, 12), new MeshBasicMaterial({ color: colours.mark, depthTest: false, transparent: true }));
    this.marker.renderOrder = 11;
    this.marker.visible = false;
    this.scene.add(...this.layers.map((layer) => layer.group), this.cut.group, this.marker);
    this.orbit = new Orbit(canvas, {
      box, onChange: () => this.redraw(),
      onClick: (x, y) => this.click(x, y), grab: (event) => this.grab(event),
    });
    new ResizeObserver(() => this.resize()).observe(canvas.parentElement);
    this.resize();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!width || !height) return;
    this.renderer.setPixelRatio(Math.min(2, window.devicePixelRatio));
    this.renderer.setSize(width, height, false);
    this.orbit.resize(width, height);
    this.draw();
  }

  redraw() {
    if (this.dirty || !this.orbit) return;
    this.dirty = true;
    requestAnimationFrame(() => this.draw());
  }

  draw() {
    this.dirty = false;
    const { camera, pixel } = this.orbit;
    this.cut.fit(pixel);
    this.marker.scale.setScalar(4 * pixel);
    if (this.held) this.marker.position.copy(this.held.point).add(this.held.layer.group.position);
    const [right, up, back] = [new Vector3(), new Vector3(), new Vector3()];
    camera.matrixWorld.extractBasis(right, up, back);
    this.lamp.position.copy(back).addScaledVector(right, -0.45).addScaledVector(up, 0.6); // over the left shoulder
    this.renderer.render(this.scene, camera);
  }

  setCut(axis, at, turned) {
    this.cut.set(axis, at, turned);
    for (const layer of this.layers) {
      // a material is compiled for a number of planes
      layer.group.traverse((each) => each.material && (each.material.needsUpdate = true));
    }
    this.redraw();
  }

  moveCut(at) {
    this.cut.set(this.cut.axis, at, this.cut.turned);
    this.onCut(this.cut.at);
    this.redraw();
  }

  grab(event) {
    const box = this.canvas.getBoundingClientRect();
    const project = (point) => {
      const { x, y } = point.clone().project(this.orbit.camera);
      return { x: ((x + 1) / 2) * box.width, y: ((1 - y) / 2) * box.height };
    };
    const follow = this.cut.grasp(event.clientX - box.left, event.clientY - box.top, project);
    return follow && ((x, y) => this.moveCut(this.cut.at + follow(x, y)));
  }

  click(clientX, clientY) {
    const box = this.canvas.getBoundingClientRect();
    const [x, y] = [((clientX - box.left) / box.width) * 2 - 1, 1 - ((clientY - box.top) / box.height) * 2];
    const found = pick(x, y, this.orbit.camera, this.layers, this.cut);
    this.held = found && { layer: found.layer, point: found.point.clone().sub(found.layer.group.position) };
    this.marker.visible = found !== null;
    this.onPick(found && { ...found, point: this.held.point });
    this.redraw();
  }

  /** Returns the picture as it is now, for paper. */
  snapshot() {
    this.draw();
    return this.canvas.toDataURL("image/png");
  }
}

function measure(unpacked) {
  const box = new Box3();
  for (const each of unpacked) box.union(new Box3().setFromArray(each.places));
  return box;
}
