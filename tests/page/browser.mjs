// A browser without network that remembers everything a page asked for or complained about.

import { chromium } from "playwright-core";

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

export const close = () => browser.close();

export const DESK = { viewport: { width: 1280, height: 900 } };
export const PHONE = { viewport: { width: 375, height: 740 }, deviceScaleFactor: 2, isMobile: true, hasTouch: true };

/** Opens a page from its file; `said` collects errors, console lines and requests. */
export async function opened(path, options = DESK, hash = "") {
  const context = await browser.newContext({ offline: true, ...options });
  const page = await context.newPage();
  const said = [], asked = [];
  page.on("console", (message) => said.push(`${message.type()}: ${message.text()}`));
  page.on("pageerror", (error) => said.push(`error: ${error.stack}`));
  page.on("dialog", (dialog) => { said.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("request", (request) => asked.push(request.url()));
  await page.goto(`file://${path}${hash}`);
  return { page, said, asked, end: () => context.close() };
}

/** What stands in an element's attribute, as a number. */
export const number = async (locator, name) => Number(await locator.getAttribute(name));
