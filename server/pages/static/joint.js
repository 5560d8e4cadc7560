// The joint's page: the pages of its steps are kept for later without network, and answers that
// rest on older data of the joint are decided again, each with its progress.
import { ask } from './stream.js';
import { text } from './texts.js';

const box = document.getElementById('outdated');
if (box) {
  const form = box.querySelector('form');
  const bar = box.querySelector('progress');
  const said = box.querySelector('[role=status]');
  const ids = box.dataset.measurements.split(' ');
  async function go() {
    form.hidden = true;
    bar.hidden = false;
    for (const [i, id] of ids.entries()) {
      const tell = (step, done) => { bar.value = (i + done) / ids.length; said.textContent = `${text('joint.done_of', i + 1, ids.length)}: ${text('photo.step_' + step)}`; };
      tell('start', 0);
      try {
        const { refused } = await ask(`/m/${id}/again`, { joint: true }, ({ step, done }) => tell(step, done));
        if (refused) throw new Error(`${refused.detail} ${refused.advice}`);
      } catch (e) {
        said.textContent = text('photo.failed', e.message);
        form.hidden = false;
        bar.hidden = true;
        return;
      }
    }
    location.reload();
  }
  form.addEventListener('submit', (e) => { e.preventDefault(); go(); });
  // right after the change nobody has to ask for it
  if (location.hash === '#changed') {
    history.replaceState(null, '', location.pathname);
    go();
  }
}

// before the cautions are acknowledged a step's page says only that they are not
if (window.isSecureContext && 'caches' in window && !document.querySelector('form[action$="/cautions"]')) {
  const keep = async () => {
    const pages = await caches.open('beltend-pages');
    for (const { href } of document.querySelectorAll('.steps a, [aria-labelledby=finished] a')) if (!await pages.match(href)) await pages.add(href);
  };
  keep().catch(() => {}); // no network any more, or no room
}
