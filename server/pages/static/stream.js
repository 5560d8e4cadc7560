// Asks for a measurement and tells its steps: server-sent events in answer to a POST.
// Gives {done: {...}} or {refused: {...}}; throws when the connection breaks.
export async function ask(address, order, onStep) {
  const answer = await fetch(address, { method: 'POST', body: JSON.stringify(order), headers: { 'Content-Type': 'application/json', Accept: 'text/event-stream' } });
  if (!answer.ok) {
    const p = await answer.json().catch(() => ({}));
    if (answer.status === 503) return { refused: { ...p, again: true, after: Number(answer.headers.get('Retry-After')) } };
    return { refused: { code: p.code ?? String(answer.status), title: p.title ?? '', detail: p.detail ?? answer.statusText, advice: p.advice ?? '' } };
  }
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let text = '';
  for (;;) {
    const { value, done } = await reader.read();
    if (done) throw new Error('the connection broke');
    text += value;
    for (let end; (end = text.indexOf('\n\n')) >= 0; text = text.slice(end + 2)) {
      const event = /^event: (.*)$/m.exec(text.slice(0, end))?.[1];
      const data = JSON.parse(/^data: (.*)$/m.exec(text.slice(0, end))?.[1] ?? 'null');
      if (event === 'step') onStep?.(data);
      else return { [event]: data };
    }
  }
}
