// The section plane: what lies before it is taken away; it is dragged by its handle or by a slider.
import {
  BufferGeometry, ConeGeometry, Group, Line, LineBasicMaterial, LineLoop, Mesh, MeshBasicMaterial, Plane, Vector3,
} from "three";

const AXES = { x: new Vector3(1, 0, 0), y: new Vector3(0, 1, 0), z: new Vector3(0, 0, 1) };
const NEAR = 22; // pixels from the handle in which it is grasped
const ARM = 26; // pixels from the plane to the tips of the handle

export class Cut {
  constructor(box, colour) {
    Object.assign(this, { box, axis: null, at: 0, turned: false });
    this.plane = new Plane(new Vector3(-1, 0, 0), 0);
    this.planes = []; // shared with all materials: empty while nothing is cut
    this.group = new Group();
    this.group.visible = false;
    const line = new LineBasicMaterial({ color: colour, depthTest: false, transparent: true });
    const solid = new MeshBasicMaterial({ color: colour, depthTest: false, transparent: true });
    this.frame = new LineLoop(new BufferGeometry(), line);
    this.handle = new Group();
    this.handle.add(new Line(new BufferGeometry().setFromPoints([new Vector3(0, -1, 0), new Vector3(0, 1, 0)]), line));
    for (const side of [-1, 1]) {
      const tip = new Mesh(new ConeGeometry(0.28, 0.6, 20), solid);
      tip.position.y = side;
      if (side < 0) tip.rotation.z = Math.PI;
      this.handle.add(tip);
    }
    for (const each of [this.frame, this.handle]) each.renderOrder = 10;
    this.group.add(this.frame, this.handle);
  }

  get range() {
    return this.axis ? [this.box.min[this.axis], this.box.max[this.axis]] : [0, 1];
  }

  /** Sets axis ("x", "y", "z" or null for no cut), place in mm and which side goes. */
  set(axis, at, turned) {
    Object.assign(this, { axis, turned });
    this.group.visible = axis !== null;
    this.planes.length = 0;
    if (axis === null) return;
    const [low, high] = this.range;
    this.at = Math.min(high, Math.max(low, at));
    const sign = turned ? 1 : -1; // what is kept lies where the plane's distance is positive
    this.plane.normal.copy(AXES[axis]).multiplyScalar(sign);
    this.plane.constant = -sign * this.at;
    this.planes.push(this.plane);
    this.frame.geometry.setFromPoints(this.corners());
    this.handle.position.copy(this.frame.geometry.attributes.position.array.length ? this.corners()[2] : AXES[axis]);
    this.handle.quaternion.setFromUnitVectors(AXES.y, AXES[axis]);
  }

  corners() {
    const [u, v] = Object.keys(AXES).filter((each) => each !== this.axis);
    const { min, max } = this.box;
    return [[min, min], [max, min], [max, max], [min, max]].map(([a, b]) => {
      const corner = new Vector3();
      corner[this.axis] = this.at;
      corner[u] = a[u];
      corner[v] = b[v];
      return corner;
    });
  }

  /** Keeps the handle the same size on the screen, `pixel` mm each. */
  fit(pixel) {
    this.handle.scale.setScalar(ARM * pixel);
  }

  /** Returns what follows a pointer that presses on the handle, or null where it presses elsewhere. */
  grasp(x, y, project) {
    if (this.axis === null) return null;
    const middle = project(this.handle.position);
    if (Math.hypot(x - middle.x, y - middle.y) > NEAR + ARM / 2) return null;
    const ahead = project(this.handle.position.clone().add(AXES[this.axis]));
    const [dx, dy] = [ahead.x - middle.x, ahead.y - middle.y];
    const square = Math.max(dx * dx + dy * dy, 0.04); // seen along the axis a drag says little
    return (moveX, moveY) => (moveX * dx + moveY * dy) / square;
  }

  hides(point) {
    return this.planes.length > 0 && this.plane.distanceToPoint(point) < -1e-6;
  }
}
