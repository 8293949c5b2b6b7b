// Chromium as the tests use it: headless, with a profile of its own, and nothing fetched behind our backs.
import { chromium } from 'playwright-core';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

const PROGRAM = process.env.ANTIPHON_CHROMIUM ?? '/usr/bin/chromium';

// Opens a browser, hands a new page to `use`, and closes the browser whatever happens.
export async function withPage(options, use) {
  const profile = mkdtempSync(join(tmpdir(), 'antiphon-browser-'));
  const context = await chromium.launchPersistentContext(profile, {
    executablePath: PROGRAM,
    headless: true,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
      '--disable-component-update', '--disable-sync', '--autoplay-policy=no-user-gesture-required', '--mute-audio'],
    viewport: { width: 1280, height: 900 },
    ...options,
  });
  try {
    return await use(await context.newPage());
  } finally {
    await context.close();
    rmSync(profile, { recursive: true, force: true });
  }
}

// axe-core in light and dark, and nothing cut off on small screens. `check(good, name, detail)` takes the results.
export async function forEverybody(address, check) {
  const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
  for (const scheme of ['light', 'dark']) {
    await withPage({ colorScheme: scheme, bypassCSP: true }, async (tab) => {
      await tab.goto(address);
      await tab.evaluate(axe);
      const found = await tab.evaluate(() => window.axe.run(document, {
        runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
      }));
      const told = found.violations.map((one) => `${one.id}: ${one.nodes.slice(0, 2).map((node) => node.html.slice(0, 160)).join(' / ')}`);
      check(found.violations.length === 0, `axe-core finds no violation (${scheme}, ${found.passes.length} rules passed)`, told.join(' | '));
    });
  }
  for (const width of [640, 320]) {
    await withPage({ viewport: { width, height: 700 } }, async (tab) => {
      await tab.goto(address);
      const wide = await tab.evaluate(() => document.documentElement.scrollWidth);
      check(wide <= width, `nothing is cut off at ${width} pixels (1280 at ${(128000 / width).toFixed(0)} %)`, String(wide));
    });
  }
}
