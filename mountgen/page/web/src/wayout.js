// How things leave, one after the other: the device by its own legs, then the part along the draw direction.
import { Vector3 } from "three";

/** Returns a function that moves the layers to a share (0 seated, 1 all out) and tells how far each has come, mm. */
export function planWayOut(layers, travel) {
  const part = layers.find((layer) => layer.kind === "part");
  const device = layers.find((layer) => layer.kind === "device" && layer.legs.length);
  const steps = device ? device.legs.map((leg) => ({ of: [device], leg })) : [];
  const out = new Vector3(0, 0, travel);
  steps.push({ of: device ? [part, device] : [part], leg: out });
  const total = steps.reduce((sum, step) => sum + step.leg.length(), 0);
  return (share) => {
    let left = share * total;
    const moved = new Map(layers.map((layer) => [layer, new Vector3()]));
    for (const { of, leg } of steps) {
      const length = leg.length();
      const done = Math.min(1, length > 0 ? left / length : 0);
      for (const layer of of) moved.get(layer).addScaledVector(leg, done);
      left = Math.max(0, left - length);
    }
    for (const [layer, offset] of moved) layer.group.position.copy(offset);
    const pulled = moved.get(part).length();
    return { part: pulled, device: device ? pathLength(share * total - pulled, device) + pulled : null };
  };
}

function pathLength(length, device) {
  return Math.min(length, device.legs.reduce((sum, leg) => sum + leg.length(), 0));
}
