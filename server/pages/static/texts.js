// The texts that a page gives its script: text('photo.sent') is data-photo-sent of #texts.
const data = document.getElementById('texts');

export function text(key, ...values) {
  let t = data?.getAttribute('data-' + key.replace(/[._]/g, '-')) ?? key;
  for (const v of values) t = t.replace(/%[sd]/, v);
  return t;
}

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
