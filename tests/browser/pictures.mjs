// Pictures of a page, to be looked at: node pictures.mjs PAGE FOLDER
import { withPage } from './browser.mjs';
import { pathToFileURL } from 'node:url';
import { join } from 'node:path';

const [page, folder] = process.argv.slice(2);
const address = pathToFileURL(page).href;
const shots = [
  ['light', { colorScheme: 'light' }],
  ['dark', { colorScheme: 'dark' }],
  ['zoom200', { viewport: { width: 640, height: 450 }, deviceScaleFactor: 2 }],
  ['narrow', { viewport: { width: 320, height: 640 } }],
];
for (const [name, options] of shots) {
  await withPage(options, async (tab) => {
    await tab.goto(address);
    await tab.screenshot({ path: join(folder, `${name}.png`) });
    await tab.evaluate(() => document.querySelector('#time').scrollIntoView());
    await tab.screenshot({ path: join(folder, `${name}-timeline.png`) });
    await tab.evaluate(() => document.querySelector('#steps').scrollIntoView());
    await tab.screenshot({ path: join(folder, `${name}-steps.png`) });
    await tab.evaluate(() => document.querySelector('#u20')?.scrollIntoView());
    await tab.screenshot({ path: join(folder, `${name}-talk.png`) });
    if (name === 'light') await tab.pdf({ path: join(folder, 'print.pdf'), format: 'A4', printBackground: false });
  });
}
// The picture of docs/debrief.md, in the middle of an utterance.
await withPage({ viewport: { width: 1280, height: 1240 } }, async (tab) => {
  await tab.goto(address);
  await tab.locator('.talk > li.observer > button').nth(2).click();
  await tab.evaluate(() => window.scrollTo(0, 0));
  await tab.waitForTimeout(700);
  await tab.screenshot({ path: join(folder, 'debrief.png') });
  await tab.emulateMedia({ media: 'print' });
  await tab.setViewportSize({ width: 794, height: 1123 });
  await tab.screenshot({ path: join(folder, 'print.png') });
});
