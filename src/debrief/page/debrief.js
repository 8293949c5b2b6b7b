'use strict';
(() => {
  const all = (selector) => [...document.querySelectorAll(selector)];
  const one = (selector) => document.querySelector(selector);
  document.documentElement.classList.add('scripted');
  const audios = new Map(all('audio').map((audio) => [audio.dataset.track, audio]));
  const total = Number(one('#timeline').dataset.seconds);
  const head = one('#head');
  const pieces = all('#timeline button[data-from]').sort((a, b) => a.dataset.from - b.dataset.from);
  const talk = all('.talk > li[data-from]');
  let audio = audios.get('mixed');
  let until = Infinity;

  const clock = (seconds) => {
    const tenths = Math.floor(seconds * 10);
    const minutes = Math.floor(tenths / 600);
    return minutes + ':' + String(Math.floor(tenths / 10) % 60).padStart(2, '0') + '.' + (tenths % 10);
  };

  // ---- playing ----

  const play = () => { audio.play().catch((error) => { one('#caption').textContent = 'The sound can\u2019t be played: ' + error.message; }); };
  const hear = (from, to) => {
    if (!audio) return;
    audio.pause();
    until = to;
    audio.currentTime = from;
    play();
    show();
  };
  const toggle = () => {
    if (!audio) return;
    if (audio.paused) { until = Infinity; play(); } else { audio.pause(); }
  };
  const choose = (name) => {
    const next = audios.get(name);
    if (!next || next === audio) return;
    const playing = !audio.paused;
    const at = audio.currentTime;
    audio.pause();
    audio = next;
    audio.currentTime = at;
    audio.playbackRate = Number(one('#speed').value);
    if (playing) play();
  };

  // ---- showing where we are ----

  let shown = null;
  const show = () => {
    const at = audio ? audio.currentTime : 0;
    if (at >= until) { audio.pause(); until = Infinity; }
    head.style.left = (100 * at / total) + '%';
    one('#now').textContent = clock(at);
    const current = talk.filter((item) => Number(item.dataset.from) <= at && at < Number(item.dataset.to)).pop() || null;
    if (current !== shown) {
      if (shown) { shown.classList.remove('on'); shown.removeAttribute('aria-current'); }
      if (current) { current.classList.add('on'); current.setAttribute('aria-current', 'true'); }
      one('#caption').textContent = current ? current.dataset.caption : '\u00a0';
      pieces.forEach((piece) => piece.classList.toggle('on', current !== null && piece.dataset.number === current.dataset.number));
      shown = current;
    }
    const button = one('#play');
    const word = audio && !audio.paused ? 'Pause' : 'Play';
    if (button.textContent !== word) button.textContent = word;
  };
  const follow = () => { show(); if (audio && !audio.paused) requestAnimationFrame(follow); };
  audios.forEach((each) => {
    each.addEventListener('play', () => requestAnimationFrame(follow));
    // While the page is hidden no frame is drawn; the end of a piece still has to be kept.
    ['timeupdate', 'seeked', 'pause', 'ended'].forEach((name) => each.addEventListener(name, show));
    each.addEventListener('error', () => { one('#caption').textContent = 'The sound\u2019s file can\u2019t be played. It has to lie beside this page.'; });
  });

  // ---- controls ----

  document.addEventListener('click', (event) => {
    const button = event.target.closest('button[data-from]');
    if (button) hear(Number(button.dataset.from), Number(button.dataset.to));
  });
  one('#play').addEventListener('click', toggle);
  one('#speed').addEventListener('change', (event) => { if (audio) audio.playbackRate = Number(event.target.value); });
  all('input[name=track]').forEach((input) => input.addEventListener('change', () => choose(input.value)));
  let zoom = 1;
  const widen = (factor) => {
    zoom = Math.min(64, Math.max(1, zoom * factor));
    one('#timeline').style.setProperty('--zoom', zoom);
    one('#zoom').textContent = zoom === 1 ? 'whole session' : zoom + ' times as wide';
  };
  one('#wider').addEventListener('click', () => widen(2));
  one('#narrower').addEventListener('click', () => widen(0.5));

  const step = (by) => {
    const at = audio ? audio.currentTime : 0;
    const next = by > 0 ? talk.find((item) => Number(item.dataset.from) > at + 0.05)
      : talk.filter((item) => Number(item.dataset.from) < at - 0.5).pop();
    if (next) hear(Number(next.dataset.from), Number(next.dataset.to));
  };
  one('#next').addEventListener('click', () => step(1));
  one('#before').addEventListener('click', () => step(-1));

  // One stop of the Tab key for the whole timeline; the arrow keys move within it.
  pieces.forEach((piece, index) => { piece.tabIndex = index === 0 ? 0 : -1; });
  one('#timeline').addEventListener('keydown', (event) => {
    const index = pieces.indexOf(document.activeElement);
    if (index < 0) return;
    const to = { ArrowRight: index + 1, ArrowLeft: index - 1, Home: 0, End: pieces.length - 1 }[event.key];
    if (to === undefined || !pieces[to]) return;
    event.preventDefault();
    pieces[index].tabIndex = -1;
    pieces[to].tabIndex = 0;
    pieces[to].focus();
  });

  document.addEventListener('keydown', (event) => {
    if (!one('#keys').checked || event.ctrlKey || event.metaKey || event.altKey) return;
    if (['SELECT', 'TEXTAREA'].includes(event.target.tagName)) return;
    const tracks = all('input[name=track]');
    const number = Number(event.key);
    if (event.key === 'p') toggle();
    else if (event.key === 'n') step(1);
    else if (event.key === 'b') step(-1);
    else if (number >= 1 && number <= tracks.length) { tracks[number - 1].checked = true; choose(tracks[number - 1].value); }
  });

  show();
})();
