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

// Whoever changes language, look or units keeps what stands in the forms; secrets and files
// excepted. A plan that was asked for is asked for again.
const KEPT = 'beltend-entries';
const entries = () => [...document.querySelectorAll('main form')].flatMap((form, f) => [...form.elements]
  .filter((e) => e.name && !['hidden', 'password', 'file', 'submit', 'button'].includes(e.type))
  .map((e) => ({ e, key: [f, e.name, e.type === 'radio' ? e.value : ''].join(' ') })));
for (const link of document.querySelectorAll('.choices a[href*="?"]')) {
  link.addEventListener('click', () => {
    const units = new URL(link.href).searchParams.has('units');
    const values = {}; // a bare amount is in the units of the page it was typed on
    for (const { e, key } of entries()) if (!units || e.name !== 'amount') values[key] = ['radio', 'checkbox'].includes(e.type) ? e.checked : e.value;
    sessionStorage.setItem(KEPT, JSON.stringify({ path: new URL(link.href).pathname, values, posted: 'posted' in document.getElementById('main').dataset }));
  });
}
const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? 'null');
sessionStorage.removeItem(KEPT);
if (kept?.path === location.pathname) {
  for (const { e, key } of entries()) {
    if (!(key in kept.values)) continue;
    if (typeof kept.values[key] === 'boolean') e.checked = kept.values[key];
    else e.value = kept.values[key];
    if (e.type === 'range' || e.type === 'checkbox') e.dispatchEvent(new Event('input'));
  }
  if (kept.posted) document.querySelector('form[data-plan]')?.requestSubmit();
}

// Whoever prints a page gets all of it.
addEventListener('beforeprint', () => {
  for (const d of document.querySelectorAll('main details:not([open])')) { d.open = true; d.dataset.shut = ''; }
});
addEventListener('afterprint', () => {
  for (const d of document.querySelectorAll('[data-shut]')) { d.open = false; delete d.dataset.shut; }
});

// A page that takes photos sends by itself, and shows it.
if (!document.getElementById('queue')) {
  const go = async () => { if (navigator.onLine && await waiting()) send().catch(() => {}); };
  addEventListener('online', go);
  go();
}
