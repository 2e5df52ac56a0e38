// What a ray through a pixel meets first, with what is cut away left out.
import { Raycaster, Vector2, Vector3 } from "three";

const raycaster = new Raycaster();

/** Returns { layer, point, gap, asked, inside } of what is seen at (x, y), -1 to 1 over the picture, or null. */
export function pick(x, y, camera, layers, cut) {
  raycaster.setFromCamera(new Vector2(x, y), camera);
  let best = null;
  for (const layer of layers.filter((each) => each.group.visible)) {
    layer.probe.updateWorldMatrix(true, false);
    const hits = raycaster.intersectObject(layer.probe, false);
    const hit = hits.find((each) => !cut.hides(each.point));
    if (hit && (best === null || hit.distance < best.hit.distance)) best = { layer, hit };
  }
  if (best === null) return null;
  const { layer, hit } = best;
  const behind = hit.face.normal.dot(raycaster.ray.direction) > 0;
  if (behind && layer.kind === "part" && cut.planes.length) {
    const point = raycaster.ray.intersectPlane(cut.plane, new Vector3());
    if (point) return { layer, point, gap: NaN, asked: NaN, inside: true };
  }
  return { layer, point: hit.point, gap: readOff(layer.values, hit), asked: readOff(layer.asked, hit), inside: false };
}

function readOff(values, hit) {
  if (!values) return NaN;
  const { a, b, c } = hit.face;
  const { x, y, z } = hit.barycoord;
  return x * values[a] + y * values[b] + z * values[c];
}
