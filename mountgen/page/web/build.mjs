// Builds ../viewer.min.js from src: `npm ci && npm run build`. The first line of the result holds the hash of its sources, so
// that a test can tell whether it is theirs; the licence of what is built in goes to ../viewer.licence.txt.
import { createHash } from "node:crypto";
import { copyFileSync, readdirSync, readFileSync, writeFileSync } from "node:fs";
import { build } from "esbuild";

const here = new URL("./", import.meta.url);
const sources = ["package-lock.json", ...readdirSync(new URL("src/", here)).sort().map((name) => `src/${name}`)];
const hash = createHash("sha256");
for (const name of sources) {
  hash.update(`${name}\n`).update(readFileSync(new URL(name, here), "utf8").replaceAll("\r\n", "\n"));
}
const built = await build({
  entryPoints: [new URL("src/main.js", here).pathname],
  absWorkingDir: new URL(".", here).pathname,
  bundle: true,
  minify: true,
  format: "iife",
  target: "es2020",
  charset: "ascii",
  legalComments: "none",
  write: false,
});
const text = built.outputFiles[0].text.replaceAll("</script", "<\\/script").replaceAll("<!--", "<\\!--");
writeFileSync(new URL("../viewer.min.js", here), `/* sources ${hash.digest("hex")} */\n${text}`);
copyFileSync(new URL("node_modules/three/LICENSE", here), new URL("../viewer.licence.txt", here));
