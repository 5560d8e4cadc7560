// Pages open without network: what was seen last is shown. Answers and photos come from the
// service alone; what waits to be sent is in the queue.
const FILES = 'beltend-files-VERSION';
const PAGES = 'beltend-pages';

self.addEventListener('install', (e) => {
  e.waitUntil((async () => {
    const files = await caches.open(FILES);
    await files.addAll(['beltend.css', 'beltend.js', 'photo.js', 'answer.js', 'joint.js', 'form.js', 'waits.js'].map((f) => `/static/${f}?v=VERSION`));
    await files.addAll(['/offline', '/static/queue.js', '/static/queued.js', '/static/hand.js', '/static/stream.js', '/static/texts.js', '/static/stage.js', '/static/icon.svg']);
    await self.skipWaiting();
  })());
});

self.addEventListener('activate', (e) => {
  e.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith('beltend-files-') && name !== FILES) await caches.delete(name);
    await self.clients.claim();
  })());
});

async function file(request) {
  const files = await caches.open(FILES);
  const versioned = new URL(request.url).searchParams.has('v');
  const kept = await files.match(request);
  if (kept && versioned) return kept;
  try {
    const answer = await fetch(request);
    if (answer.ok) await files.put(request, answer.clone());
    return answer;
  } catch (err) {
    const any = kept ?? await files.match(request, { ignoreSearch: true });
    if (any) return any;
    throw err;
  }
}

// The page shown without network is kept anew when language, look or units are chosen.
async function offlineAsChosen(request) {
  const chosen = new URL(request.url).searchParams;
  if (!['lang', 'theme', 'units'].some((k) => chosen.has(k))) return;
  const files = await caches.open(FILES);
  await files.add('/offline').catch(() => {}); // as it was before
}

async function page(request) {
  const pages = await caches.open(PAGES);
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) await pages.put(request, answer.clone());
    return answer;
  } catch (err) {
    const kept = await pages.match(request) ?? await caches.match('/offline');
    if (kept) return kept;
    throw err;
  }
}

// What a joint is told (cautions acknowledged, what it was begun with, closed) makes its kept pages old.
async function told(request, joint) {
  const answer = await fetch(request);
  if (answer.ok || answer.type === 'opaqueredirect') {
    const pages = await caches.open(PAGES);
    for (const kept of await pages.keys()) if (new URL(kept.url).pathname.startsWith(joint)) await pages.delete(kept);
  }
  return answer;
}

self.addEventListener('fetch', (e) => {
  const url = new URL(e.request.url);
  if (url.origin !== location.origin) return;
  if (e.request.method !== 'GET') {
    // Whoever signs out leaves nothing to the next person at this device.
    if (url.pathname === '/sign-out' || url.pathname === '/sign-in') e.waitUntil(caches.delete(PAGES));
    const joint = /^(\/joints\/[^/]+)\/(cautions|change|closed)$/.exec(url.pathname);
    if (joint && e.request.mode === 'navigate') e.respondWith(told(e.request, joint[1]));
    return;
  }
  if (url.pathname.startsWith('/static/')) e.respondWith(file(e.request));
  else if (e.request.mode === 'navigate') {
    const shown = page(e.request);
    e.respondWith(shown);
    e.waitUntil(shown.then(() => offlineAsChosen(e.request), () => {})); // the page need not wait for it
  }
});
