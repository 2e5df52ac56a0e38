// Gap to colour, by the ramp that the page brings along (ramp.py).
import { Color, SRGBColorSpace } from "three";

/** Returns the colours of gaps, three linear numbers a gap. */
export function paint(gaps, ramp) {
  const colours = new Float32Array(3 * gaps.length);
  const colour = new Color();
  for (let i = 0; i < gaps.length; i++) {
    colour.setRGB(...pick(gaps[i], ramp), SRGBColorSpace).toArray(colours, 3 * i);
  }
  return colours;
}

/** Returns red, green and blue, 0 to 1, of a gap in mm. */
export function pick(gap, { anchors, low, high, limit, below, neutral }) {
  if (Number.isNaN(gap) || gap > limit) return neutral;
  if (gap < low) return below;
  const at = Math.min(1, (gap - low) / (high - low)) * (anchors.length - 1);
  const [k, share] = [Math.min(Math.floor(at), anchors.length - 2), at - Math.min(Math.floor(at), anchors.length - 2)];
  return anchors[k].map((each, j) => each + share * (anchors[k + 1][j] - each));
}
