// Forms that send photos with what is typed beside them (finished joint, clinch, quick
// measurement): they wait in the queue as the photos of the steps do.
import { able, add, addAlone, list, set } from './queue.js';
import { queued } from './queued.js';
import { text } from './texts.js';

const forms = [...document.querySelectorAll('form[data-step]')];

// itemsOf are the items of the clinch in a form, each in a data-item.
const itemsOf = (form) => [...form.querySelectorAll('[data-item]')];
const touched = (item) => [...item.querySelectorAll('input')].some((e) => (e.type === 'radio' ? e.checked !== e.defaultChecked : e.type === 'file' ? e.files.length > 0 : e.value !== e.defaultValue));

// typed gives what is typed in a form; of the clinch what this person touched, since others
// may have judged the rest before it arrives.
function typed(form) {
  const fields = Object.fromEntries([...new FormData(form)].filter(([, value]) => typeof value === 'string'));
  for (const item of itemsOf(form)) if (!touched(item)) for (const e of item.querySelectorAll('input')) delete fields[e.name];
  return fields;
}

if (able && forms.length > 0) {
  const [{ dataset: { joint } }] = forms;
  const steps = forms.map((form) => form.dataset.step);
  const go = queued((place) => place.joint === joint && steps.includes(place.step));

  for (const form of forms) {
    const { step, named, look } = form.dataset;
    const where = { joint, step, ...(look && { look }) };
    const inputs = [...form.querySelectorAll('input[type=file]')];
    const photos = form.querySelector('[name=photos]');
    // what was refused is sent again with what is typed now
    const sendsAgain = async () => { if (photos) photos.required = (await list({ ...where, state: 'refused' })).length === 0; };
    addEventListener('beltend-queue', sendsAgain);
    sendsAgain();

    // whoever takes a close-up or writes a note judges
    for (const item of itemsOf(form)) item.addEventListener('input', () => { for (const e of item.querySelectorAll('[type=radio]')) e.required = touched(item); });

    form.addEventListener('submit', async (e) => {
      e.preventDefault();
      const order = { fields: typed(form) };
      const place = { ...where, end: String(Date.now()) };
      const judges = itemsOf(form).some(touched);
      const files = inputs.flatMap((input) => [...input.files].map((file) => [file, input === photos ? '' : input.name]));
      for (const input of inputs) input.value = '';
      let twice = false;
      for (const [file, field] of files) twice = !await add(file, place, order, named, field) || twice;
      const refused = await list({ ...where, state: 'refused' });
      if (judges && files.length === 0 && refused.length === 0) await addAlone(place, order, named, text('finished.judgements'));
      for (const i of refused) await set(i.id, { order, state: i.kept ? 'sent' : 'waiting' });
      await go(twice ? text('photo.twice') : '');
    });
  }
  go();
}
