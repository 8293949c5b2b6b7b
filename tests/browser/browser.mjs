// Chromium as the tests use it: headless, with a profile of its own, and nothing fetched behind our backs.
import { chromium } from 'playwright-core';
import { mkdtempSync, rmSync } from 'node:fs';
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
