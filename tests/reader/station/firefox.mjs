// A run and a reviewer's look in Firefox, driven by puppeteer-core over WebDriver BiDi; what went wrong goes to standard error.
// Arguments: puppeteer-core's folder, Firefox, a folder for its profile, a photo, two sign-in links, a plate. Standard input:
// a line for each "clock" on standard output: the minutes by which the phone's clock is then shifted.
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";

const [modules, firefox, profile, photo, technician, reviewer, plate] = process.argv.slice(2);
const { default: puppeteer } = await import(pathToFileURL(`${modules}/puppeteer-core/lib/esm/puppeteer/puppeteer-core.js`));
const browser = await puppeteer.launch({
  browser: "firefox", executablePath: firefox, headless: true, userDataDir: profile,
  extraPrefsFirefox: { "network.proxy.type": 0, "browser.safebrowsing.update.enabled": false },
});
const wrong = [];
const lines = createInterface({ input: process.stdin })[Symbol.asyncIterator]();

async function setClock(page) {
  process.stdout.write("clock\n");
  const shift = (ms) => {
    const real = Date.__real ?? Date.now;
    Date.__real = real;
    Date.now = () => real.call(Date) + ms;
  };
  const ms = Number((await lines.next()).value) * 60000;
  await page.evaluateOnNewDocument(shift, ms);
  await page.evaluate(shift, ms);
}

async function watched() {
  const page = await browser.newPage();
  await page.setViewport({ width: 390, height: 844 });
  page.on("console", (said) => { if (["error", "warn"].includes(said.type())) wrong.push(`${page.url()}: ${said.text()}`); });
  page.on("pageerror", (error) => wrong.push(`${page.url()}: ${error}`));
  await page.evaluateOnNewDocument(() => addEventListener("securitypolicyviolation",
    (event) => console.error(`policy: ${event.violatedDirective} ${event.blockedURI}`)));
  return page;
}

/** Tap what a selector finds, once it is there and can be tapped. */
async function tap(page, selector) {
  const found = await page.waitForSelector(selector, { visible: true, timeout: 60000 });
  await found.evaluate((one) => one.scrollIntoView({ block: "center", behavior: "instant" }));
  await found.click();
}

try {
  let page = await watched();
  await page.goto(reviewer);
  await tap(page, "a[href$='/queue']");
  await tap(page, `a[href*='${plate}']`);
  await page.waitForSelector("#decide img");
  const drawn = await page.$$eval("#decide img", (all) => all.every((one) => one.complete && one.naturalWidth > 0));
  process.stdout.write(`looks ${drawn}\n`);
  await page.close();

  page = await watched();
  await setClock(page);
  await page.goto(technician);
  await tap(page, "a[href$='/today']");
  await tap(page, "a.point[href$='HB-sump']");
  await tap(page, "label.choice:has([value='CB-2604'])");
  await tap(page, ".phase[data-phase='fuel']:enabled");
  for (const step of ["sample", "settled", "extract", "gathered", "drops"]) {
    await tap(page, `#next[data-step=${step}]`);
    await page.waitForFunction(() => document.querySelector("#told").innerText.includes("knows"));
    await setClock(page);
  }
  await page.reload();
  await page.waitForSelector("label.photo", { visible: true, timeout: 60000 });
  const input = await page.$("#photo");
  await input.uploadFile(photo);
  await page.waitForSelector(".grade", { timeout: 90000 });
  process.stdout.write(`grade ${await page.$eval("h1", (one) => one.innerText)}: ${await page.$eval("#why", (one) => one.innerText)}\n`);
} catch (error) {
  wrong.push(String(error.stack ?? error));
} finally {
  await browser.close();
}
for (const one of wrong) process.stderr.write(`${one}\n`);
process.exit(wrong.length ? 1 : 0);
