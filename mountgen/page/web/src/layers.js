// What is shown: a three.js object for each unpacked mesh.
import {
  BackSide, BufferAttribute, BufferGeometry, DoubleSide, EdgesGeometry, Group, LineBasicMaterial, LineSegments,
  Mesh, MeshBasicMaterial, MeshLambertMaterial, Vector3,
} from "three";
import { paint } from "./ramp.js";

/** Makes a layer: `group` to show, `probe` to cast rays at, `values` and `asked` at its corners, `legs` of its way out. */
export function makeLayer(unpacked, { ramp, least, colours, planes }) {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(unpacked.places, 3));
  geometry.setIndex(new BufferAttribute(unpacked.corners, 1));
  geometry.computeBoundingBox();
  const group = new Group();
  const common = { clippingPlanes: planes };
  if (unpacked.kind === "scan") {
    geometry.computeVertexNormals();
    group.add(new Mesh(geometry, new MeshLambertMaterial({ ...common, color: colours.scan, side: DoubleSide })));
  } else if (unpacked.kind === "part") {
    const values = unpacked.values ?? new Float32Array(unpacked.places.length / 3).fill(NaN);
    const { asked } = unpacked; // where it differs from place to place, shares of it are painted
    const painted = asked ? values.map((gap, i) => gap / Math.max(asked[i], least)) : values;
    geometry.setAttribute("color", new BufferAttribute(paint(painted, ramp), 3));
    group.add(new Mesh(geometry, new MeshLambertMaterial({ ...common, vertexColors: true, flatShading: true })));
    // where a cut opens the solid one sees the back of its far side: in one flat colour it looks like the cut face
    group.add(new Mesh(geometry, new MeshBasicMaterial({ ...common, color: colours.inside, side: BackSide })));
  } else {
    const colour = unpacked.kind === "device" ? colours.device : colours.keepOut;
    const glass = { ...common, color: colour, transparent: true, opacity: 0.45, depthWrite: false, side: DoubleSide };
    group.add(new Mesh(geometry, new MeshLambertMaterial({ ...glass, flatShading: true })));
    group.add(new LineSegments(new EdgesGeometry(geometry, 30), new LineBasicMaterial({ ...common, color: colour })));
  }
  const probe = new Mesh(geometry, new MeshBasicMaterial({ side: DoubleSide }));
  group.add(probe);
  probe.visible = false;
  const legs = unpacked.legs.map((leg) => new Vector3(...leg));
  const { kind, name, values, asked } = unpacked;
  return { kind, name, values, asked, legs, group, probe, box: geometry.boundingBox };
}

/** Makes the scan let the part shine through, or not. */
export function seeThrough(layer, wanted) {
  const material = layer.group.children[0].material;
  Object.assign(material, { transparent: wanted, opacity: wanted ? 0.3 : 1, depthWrite: !wanted });
  material.needsUpdate = true;
  layer.group.renderOrder = wanted ? 2 : 0;
}
