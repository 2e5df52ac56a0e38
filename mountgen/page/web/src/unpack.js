// The other half of pack.py: base64, deflated byte planes, differences; back to places, corners and values.

/** Unpacks the mesh in a script element; see pack.py for its data attributes. */
export async function unpack(element) {
  const facts = element.dataset;
  const [vertices, triangles] = [Number(facts.vertices), Number(facts.triangles)];
  const bytes = await inflate(element.textContent.trim());
  let at = 0;
  const read = (count, width) => {
    const numbers = new Int32Array(count);
    for (let plane = 0; plane < width; plane++, at += count) {
      for (let i = 0; i < count; i++) numbers[i] |= bytes[at + i] << (8 * plane);
    }
    for (let i = 0; i < count; i++) numbers[i] = numbers[i] & 1 ? -((numbers[i] + 1) >>> 1) : numbers[i] >>> 1;
    return numbers;
  };
  const places = new Float32Array(3 * vertices);
  const [low, step] = [facts.low.split(" ").map(Number), Number(facts.step)];
  for (let k = 0; k < 3; k++) {
    const place = addUp(read(vertices, 3));
    for (let i = 0; i < vertices; i++) places[3 * i + k] = low[k] + step * place[i];
  }
  const first = addUp(read(triangles, 4));
  const [second, third] = [read(triangles, 4), read(triangles, 4)];
  const corners = new Uint32Array(3 * triangles);
  for (let i = 0; i < triangles; i++) {
    corners[3 * i] = first[i];
    corners[3 * i + 1] = first[i] + second[i];
    corners[3 * i + 2] = first[i] + second[i] + third[i];
  }
  const values = readValues(Number(facts.valueLow), Number(facts.valueStep), read, vertices);
  const asked = readValues(Number(facts.askedLow), Number(facts.askedStep), read, vertices);
  return { kind: facts.kind, name: facts.name, legs: JSON.parse(facts.legs), places, corners, values, asked };
}

function readValues(low, step, read, vertices) {
  if (step === 0) return null;
  const numbers = addUp(read(vertices, 3));
  return Float32Array.from(numbers, (n) => (n === 65535 ? NaN : low + step * n));
}

function addUp(numbers) {
  for (let i = 1; i < numbers.length; i++) numbers[i] += numbers[i - 1];
  return numbers;
}

async function inflate(text) {
  const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}
