// The texts that a page gives its script: text('photo.sent') is data-photo-sent of #texts.
const data = document.getElementById('texts');

export function text(key, ...values) {
  let t = data?.getAttribute('data-' + key.replace(/[._]/g, '-')) ?? key;
  for (const v of values) t = t.replace(/%[sd]/, v);
  return t;
}

// together keeps a number and its unit in one line, as the pages' texts are.
export const together = (t) => t.replace(/(\d) (mm|in|ft|m|px|\d+\/\d+)\b/g, '$1\u00a0$2').replace(/(\d\/\d+) in\b/g, '$1\u00a0in').replace(/(\d) %/g, '$1\u00a0%').replace(/± /g, '±\u00a0');

// make('li', {class: 'x'}, child, 'text') makes an element; names with svg: are of SVG.
export function make(name, attributes = {}, ...children) {
  const e = name.startsWith('svg:')
    ? document.createElementNS('http://www.w3.org/2000/svg', name.slice(4)) : document.createElement(name);
  for (const [k, v] of Object.entries(attributes)) {
    if (k.startsWith('on')) e.addEventListener(k.slice(2), v);
    else if (v !== false && v != null) e.setAttribute(k, v === true ? '' : v);
  }
  e.append(...children);
  return e;
}
