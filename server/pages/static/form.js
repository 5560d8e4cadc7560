// Forms that send photos with what is typed beside them (the finished joint, the quick
// measurement): their photos wait in the queue as those of the steps do.
import { able, add, list, retry, send, set } from './queue.js';
import { shown } from './queued.js';
import { text, together } from './texts.js';

const form = document.querySelector('form[data-step]');
if (able && form) {
  const where = { joint: form.dataset.joint, step: form.dataset.step };
  const input = form.querySelector('[name=photos]');
  const box = document.getElementById('queue');
  const bar = box.querySelector('progress');
  const stage = document.getElementById('stage');
  const refusedBox = document.getElementById('refused');
  const here = (place) => place.joint === where.joint && place.step === where.step;
  const showItems = shown(box, where, () => go());
  const tries = retry(go);

  async function show() {
    await showItems();
    input.required = !box.querySelector('[data-state=refused]'); // sent again with what is typed now
  }

  function refuse(problem) {
    refusedBox.hidden = false;
    refusedBox.querySelector('h2').textContent = problem.title ?? '';
    refusedBox.querySelector('.detail').textContent = together(problem.detail ?? '');
    refusedBox.querySelector('.do span').textContent = together(problem.advice ?? '');
    const kept = refusedBox.querySelector('.kept');
    kept.hidden = !problem.address;
    if (problem.address) kept.querySelector('a').href = problem.address;
    refusedBox.scrollIntoView({ block: 'nearest' });
  }

  async function sendNow() {
    try {
      await send({
        change: show,
        step: ({ step, done }) => { bar.hidden = false; bar.value = done; stage.textContent = text('photo.step_' + step); },
        done: (place, answer) => { if (here(place)) location.assign(answer.address); },
        refused: (place, problem) => { if (here(place)) refuse(problem); },
      });
      stage.textContent = '';
      tries.fresh();
    } catch {
      stage.textContent = text('photo.waiting');
      tries.later();
    }
  }

  async function go() {
    refusedBox.hidden = true;
    await show();
    if (navigator.onLine) await sendNow();
    bar.hidden = true;
    await show();
    const refused = (await list(where)).find((i) => i.state === 'refused' && i.problem);
    if (refused && refusedBox.hidden) refuse(refused.problem); // before this page was opened
  }

  form.addEventListener('submit', async (e) => {
    e.preventDefault();
    const files = [...input.files];
    input.value = '';
    const fields = Object.fromEntries([...new FormData(form)].filter(([name]) => name !== 'photos'));
    const order = { fields };
    const place = { ...where, end: String(Date.now()) };
    let twice = false;
    for (const file of files) twice = !await add(file, place, order, form.dataset.named) || twice;
    for (const i of await list({ ...where, state: 'refused' })) await set(i.id, { order, state: i.kept ? 'sent' : 'waiting' });
    stage.textContent = twice ? text('photo.twice') : '';
    await go();
  });
  go();
}
