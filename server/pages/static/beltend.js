// On every page: say when there is no network, open without it, send what waits.
import { waiting, send } from './queue.js';

const banner = document.getElementById('network');
const show = () => { banner.hidden = navigator.onLine; };
addEventListener('online', show);
addEventListener('offline', show);
show();

if (window.isSecureContext && 'serviceWorker' in navigator) {
  navigator.serviceWorker.register('/sw.js').catch(() => {}); // the pages work without
}

// Whoever prints a page gets all of it.
addEventListener('beforeprint', () => {
  for (const d of document.querySelectorAll('main details:not([open])')) { d.open = true; d.dataset.shut = ''; }
});
addEventListener('afterprint', () => {
  for (const d of document.querySelectorAll('[data-shut]')) { d.open = false; delete d.dataset.shut; }
});

// The page that takes photos sends by itself, and shows it.
if (!document.getElementById('photo')) {
  const go = async () => { if (navigator.onLine && await waiting()) send().catch(() => {}); };
  addEventListener('online', go);
  go();
}
