// Looks at a debrief page as people do: node page.mjs PAGE SCHEMA
// Every check is told by name; the exit code is 1 when one failed.
import { forEverybody, withPage } from './browser.mjs';
import Ajv from 'ajv/dist/2020.js';
import webvtt from 'webvtt-parser';
import { readFileSync } from 'node:fs';
import { pathToFileURL } from 'node:url';

const [page, report, schema] = process.argv.slice(2);
const address = pathToFileURL(page).href;
let failed = 0;
const check = (good, name, detail = '') => {
  console.log(`${good ? 'ok' : 'NOT OK'} ${name}${good ? '' : ` ${detail}`}`);
  failed += good ? 0 : 1;
};
const near = (one, other, within) => Math.abs(one - other) <= within;

// ---- the other forms ----

const said = JSON.parse(readFileSync(report, 'utf8'));
const valid = new Ajv({ strict: false, validateFormats: false });
check(valid.validate(JSON.parse(readFileSync(schema, 'utf8')), said), 'the JSON report fits its schema', JSON.stringify(valid.errors));

// The parser of the WebVTT standard's own validator.
const captions = new webvtt.WebVTTParser().parse(readFileSync(page.replace(/\.html$/, '.vtt'), 'utf8'), 'captions');
check(captions.errors.length === 0, 'a published parser finds no error in the captions', JSON.stringify(captions.errors.slice(0, 3)));
check(captions.cues.length === said.utterances.length, 'every utterance is a caption');
check(captions.cues.every((cue, n) => near(cue.startTime, said.utterances[n].from, 0.001) && cue.tree.children[0].value === said.utterances[n].speaker),
  'each caption has its time and its speaker');

// ---- the page ----

// Where a tone begins in a mono WAV file of 16 kHz, from a time on.
const soundFrom = (file, from) => {
  const bytes = readFileSync(file);
  for (let at = Math.round(from * 16000); 44 + 2 * at + 1 < bytes.length; at += 1) {
    if (Math.abs(bytes.readInt16LE(44 + 2 * at)) > 1000) return at / 16000;
  }
  return NaN;
};

await withPage({}, async (tab) => {
  const errors = [];
  const asked = [];
  tab.on('console', (message) => { if (['error', 'warning'].includes(message.type())) errors.push(message.text()); });
  tab.on('pageerror', (error) => errors.push(error.message));
  tab.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) asked.push(request.url()); });
  await tab.goto(address);
  await tab.evaluate(() => {
    window.seeks = [];
    document.querySelectorAll('audio').forEach((audio) => audio.addEventListener('seeked', () => {
      window.seeks.push({ track: audio.dataset.track, at: audio.currentTime, wall: performance.now() });
    }));
  });

  check(await tab.evaluate(() => window.hacked === undefined), 'hostile text runs nothing');
  check(await tab.evaluate(() => document.querySelectorAll('script').length === 1 && !document.querySelector('img, iframe, object, embed, form, [onerror], [onclick]')),
    'hostile text makes no element');

  // A change of track seeks too; its news must not be taken for that of the next piece.
  const quiet = async () => {
    await tab.waitForFunction(() => [...document.querySelectorAll('audio')].every((audio) => !audio.seeking && (audio.readyState > 0 || audio.currentTime === 0)));
    await tab.waitForTimeout(50);
    await tab.evaluate(() => { window.seeks.length = 0; });
  };
  const hears = async (selector, name) => {
    const button = tab.locator(selector).first();
    const from = Number(await button.getAttribute('data-from'));
    const to = Number(await button.getAttribute('data-to'));
    await quiet();
    await button.focus();
    await tab.keyboard.press('Enter');
    await tab.waitForFunction(() => window.seeks.length > 0);
    const seek = await tab.evaluate(() => window.seeks[0]);
    check(near(seek.at, from, 0.05), `${name}: the position is right within 50 ms`, `${seek.at} for ${from}`);
    check(await tab.evaluate((track) => !document.querySelector(`audio[data-track=${track}]`).paused, seek.track), `${name}: it plays`);
    return { from, to, track: seek.track };
  };

  const step = await hears('#steps ~ .scroll button[data-from]', 'a step');
  check(step.track === 'mixed', 'at first everything is heard');
  await tab.locator('#play').click();

  // An utterance to its end, and not further.
  const piece = await hears('.talk > li.worker > button', 'an utterance of the worker');
  await tab.waitForFunction(() => document.querySelector('audio[data-track=mixed]').paused);
  const stopped = await tab.evaluate(() => document.querySelector('audio[data-track=mixed]').currentTime);
  check(stopped >= piece.to - 0.05 && stopped <= piece.to + 0.4, 'it stops where the utterance ends', `${stopped} for ${piece.to}`);
  const folder = page.replace(/\.html$/, '-audio/');
  const mixed = soundFrom(`${folder}mixed.wav`, piece.from - 0.3);
  const alone = soundFrom(`${folder}worker.wav`, piece.from - 0.3);
  check(near(mixed, piece.from, 0.05) && near(alone, piece.from, 0.05), 'the sound begins where the page says, within 50 ms', `${mixed} ${alone} for ${piece.from}`);
  check(Number.isNaN(soundFrom(`${folder}observer.wav`, piece.from)) || soundFrom(`${folder}observer.wav`, piece.from) > piece.to,
    'the other person is not on this track');

  await tab.locator('input[name=track][value=worker]').check();
  const again = await hears('.talk > li.worker > button', 'the worker alone');
  check(again.track === 'worker', 'a track alone is heard alone');
  check((await tab.locator('#caption').textContent()).startsWith('Worker'), 'the caption names who speaks');
  await tab.locator('#play').click();

  // By keyboard through the timeline.
  await tab.locator('#timeline button').first().focus();
  for (let n = 0; n < 3; n += 1) await tab.keyboard.press('ArrowRight');
  const focused = await tab.evaluate(() => Number(document.activeElement.dataset.from));
  await quiet();
  await tab.keyboard.press('Enter');
  await tab.waitForFunction(() => window.seeks.length > 0);
  check(near(await tab.evaluate(() => window.seeks[0].at), focused, 0.05), 'the arrow keys and Enter play a piece of the timeline');
  await tab.locator('#keys').check();
  await tab.keyboard.press('p');
  check(await tab.evaluate(() => [...document.querySelectorAll('audio')].every((audio) => audio.paused)), 'p pauses');

  check(errors.length === 0, 'there is no error on the console', errors.join(' | '));
  check(asked.length === 0, 'nothing is asked of a network', asked.join(' '));
  // Last, because the refusal is told on the console.
  const refused = await tab.evaluate(() => fetch('http://127.0.0.1:9/').then(() => false, () => new Promise((done) => {
    setTimeout(() => done(true), 0);
  })));
  check(refused && errors.some((text) => /Content.Security.Policy/i.test(text)), 'the policy forbids connections', errors.join(' | '));
});

await forEverybody(address, check);
await withPage({ javaScriptEnabled: false }, async (tab) => {
  await tab.goto(address);
  check(await tab.locator('audio').first().isVisible() && await tab.locator('#talk').isVisible(), 'without scripts the page reads and plays');
});
process.exit(failed === 0 ? 0 : 1);
