// Looks at a page that plays nothing: node still.mjs PAGE [PICTURE]
import { forEverybody, withPage } from './browser.mjs';
import { pathToFileURL } from 'node:url';

const [page, picture] = process.argv.slice(2);
const address = pathToFileURL(page).href;
let failed = 0;
const check = (good, name, detail = '') => {
  console.log(`${good ? 'ok' : 'NOT OK'} ${name}${good ? '' : ` ${detail}`}`);
  failed += good ? 0 : 1;
};
await withPage({}, async (tab) => {
  const errors = [];
  tab.on('console', (message) => { if (['error', 'warning'].includes(message.type())) errors.push(message.text()); });
  tab.on('request', (request) => { if (!request.url().startsWith('file:')) errors.push(request.url()); });
  await tab.goto(address);
  check(errors.length === 0, 'no error on the console, nothing asked of a network', errors.join(' | '));
  check(await tab.evaluate(() => window.hacked === undefined && document.querySelector('script, img') === null), 'hostile text runs nothing');
  if (picture) await tab.screenshot({ path: picture, fullPage: true });
});
await forEverybody(address, check);
process.exit(failed === 0 ? 0 : 1);
