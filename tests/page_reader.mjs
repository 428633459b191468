// Reads report pages as a browser shows them: node tests/page_reader.mjs FOLDER-OF-PACKAGES CHROMIUM PAGE.html...
//
// At 390 and 1280 pixels, light and dark, and as print, without a network: no message on the console, nothing wider than
// the window, no words over words in a picture, nothing serious by axe-core (its rules of contrast among them). The
// read-out at the pointer says what the table of numbers says, and a switch hides its curve. A screenshot of each goes
// beside the page.
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [packages, chromiumPath, ...pages] = process.argv.slice(2);
const require = createRequire(`${packages}/package.json`);
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const faults = [];
const browser = await chromium.launch({ executablePath: chromiumPath, args: ["--no-sandbox"] });

// Boxes of words of one picture that overlap by more than a pixel.
function overlapping() {
  const found = [];
  for (const svg of document.querySelectorAll("svg")) {
    const words = [...svg.querySelectorAll("text")].filter((text) => text.textContent.trim() !== "");
    const boxes = words.map((text) => text.getBoundingClientRect());
    for (let a = 0; a < boxes.length; a += 1) {
      for (let b = a + 1; b < boxes.length; b += 1) {
        const x = Math.min(boxes[a].right, boxes[b].right) - Math.max(boxes[a].left, boxes[b].left);
        const y = Math.min(boxes[a].bottom, boxes[b].bottom) - Math.max(boxes[a].top, boxes[b].top);
        // Boxes have the height of a line, which is more than that of its letters.
        const lower = Math.min(boxes[a].height, boxes[b].height);
        if (x > 1 && y > 0.35 * lower) found.push(`"${words[a].textContent}" over "${words[b].textContent}"`);
      }
    }
  }
  return found;
}

async function readOut(page, say) {
  const svg = page.locator("figure svg").first();
  await svg.scrollIntoViewIfNeeded();
  // The middle of the first panel, and the frequency there.
  const at = await svg.evaluate((svg) => {
    const { left, right, low, high } = svg.dataset;
    const group = svg.querySelector("g[data-top]");
    const x = Number(left) + (right - left) * 0.6;
    const y = (Number(group.dataset.top) + Number(group.dataset.bottom)) / 2;
    const box = svg.getBoundingClientRect();
    const scale = box.width / svg.viewBox.baseVal.width;
    return { x: box.left + x * scale, y: box.top + y * scale, hz: low * Math.pow(high / low, 0.6) };
  });
  await page.mouse.move(at.x, at.y);
  const reading = await page.locator("figure .reading").first().textContent();
  const told = reading.slice(reading.indexOf(": ") + 2).split("; ");
  const parts = told.map((part) => part.match(/^(.*) (-?\d+\.\d) dB$/)).filter((match) => match !== null);
  const values = parts.map((match) => [match[1], Number(match[2])]);
  if (values.length === 0) return say(`no read-out at ${at.hz.toFixed(0)} Hz: "${reading}"`);
  const table = await page.locator("figure table").first().evaluate((table) =>
    [...table.rows].map((row) => [...row.cells].map((cell) => cell.textContent.replace("\u2212", "-"))));
  const hz = (words) => Number.parseFloat(words) * (words.includes("kHz") ? 1000 : 1);
  const rows = table.slice(1);
  const below = rows.filter((row) => hz(row[0]) <= at.hz).at(-1);
  const above = rows.find((row) => hz(row[0]) > at.hz);
  for (const [name, db] of values) {
    const column = table[0].indexOf(name);
    if (column < 0) say(`no column for "${name}"`);
    const ends = [Number(below[column]), Number(above[column])];
    // Between two third octaves a curve may bend by this, dB.
    if (db < Math.min(...ends) - 1 || db > Math.max(...ends) + 1) say(`${name} reads ${db} dB between ${ends}`);
  }
  const button = page.locator("figure .switches button").first();
  // A picture of one curve has none to switch.
  if ((await button.count()) === 0) return;
  const name = await button.textContent();
  const hidden = () => page.locator("figure").first().evaluate((figure, name) =>
    [...figure.querySelectorAll("path[data-curve]")].filter((path) => path.dataset.curve === name)
      .every((path) => path.style.display === "none"), name);
  await button.press("Enter");
  if (!(await hidden())) say(`the switch of "${name}" does not hide it`);
  await button.press("Enter");
  if (await hidden()) say(`the switch of "${name}" does not bring it back`);
}

for (const path of pages) {
  for (const [width, colorScheme, media] of [[390, "light"], [390, "dark"], [1280, "light"], [1280, "dark"], [794, "light", "print"]]) {
    const look = `${path} at ${width}, ${media ?? colorScheme}`;
    const say = (fault) => faults.push(`${look}: ${fault}`);
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, offline: true });
    const page = await context.newPage();
    page.on("console", (message) => say(`console: ${message.text()}`));
    page.on("pageerror", (error) => say(`error: ${error.message}`));
    page.on("request", (request) => { if (!request.url().startsWith("file:")) say(`asks for ${request.url()}`); });
    if (media) await page.emulateMedia({ media });
    await page.goto(pathToFileURL(path).href);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    if (wide > 0) say(`${wide} pixels wider than the window`);
    for (const words of await page.evaluate(overlapping)) say(words);
    await page.evaluate(axe);
    const { violations } = await page.evaluate(() => window.axe.run());
    for (const found of violations.filter(({ impact }) => impact === "serious" || impact === "critical"))
      say(`${found.id}: ${found.nodes[0].html.slice(0, 200)}`);
    if (width === 1280 && colorScheme === "light") await readOut(page, say);
    await page.screenshot({ path: path.replace(/\.html$/, `-${width}-${media ?? colorScheme}.png`), fullPage: true });
    await context.close();
  }
  console.log(`${path}: read`);
}
await browser.close();
for (const fault of faults) console.log(fault);
process.exit(faults.length === 0 ? 0 : 1);
