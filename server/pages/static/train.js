// The trainer's pages: a tap on the photo, the slider's figure, what beltend
// measures fetched when the rest is there, the progress of a large photo.

const tap = document.querySelector("[data-tap]");
const form = document.querySelector("[data-question]");
if (tap && form) {
  const img = tap.querySelector("img"), cross = tap.querySelector(".cross"), wait = tap.querySelector("[data-wait]");
  const x = form.elements.tap_x, up = form.elements.tap_up, cut = form.elements.cut;
  const show = () => {
    cross.hidden = !cut.checked;
    cross.style.left = `${img.offsetLeft + x.value * img.clientWidth}px`;
    cross.style.top = `${img.offsetTop + (1 - up.value) * img.clientHeight}px`;
  };
  img.addEventListener("click", (event) => {
    const box = img.getBoundingClientRect();
    x.value = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)).toFixed(4);
    up.step = "any";
    up.value = (1 - Math.min(1, Math.max(0, (event.clientY - box.top) / box.height))).toFixed(4);
    cut.checked = true;
    show();
  });
  up.addEventListener("keydown", () => { up.step = "0.001"; });
  up.addEventListener("input", () => { cut.checked = true; show(); });
  cut.addEventListener("change", show);
  window.addEventListener("resize", show);
  const drawn = () => { wait.hidden = true; show(); };
  if (!img.complete) wait.hidden = false;
  img.addEventListener("load", drawn);
  // Others are being drawn before this one: ask again a few times.
  let tries = 0;
  img.addEventListener("error", () => {
    wait.hidden = false;
    if (++tries <= 10) setTimeout(() => { img.src = `${img.src.replace(/[?&]try=\d+/, "")}${img.src.includes("?") ? "&" : "?"}try=${tries}`; }, 3000);
  });
  show();
}

const settings = document.querySelector("[data-settings]");
if (settings) {
  const size = settings.elements.size, out = settings.querySelector("output");
  if (size) size.addEventListener("input", () => { 
    const figure = (v, digits) => new Intl.NumberFormat(document.documentElement.lang, { minimumFractionDigits: digits, maximumFractionDigits: digits }).format(v);
    out.textContent = "inches" in out.dataset ? `${figure(size.value / 25.4, 3)} in` : `${figure(size.value, 1)} mm`;
  });
  // another error has another slider
  settings.elements.error.addEventListener("change", () => settings.requestSubmit());
}

const measured = document.querySelector("[data-measured]");
if (measured && measured.querySelector("[role=status]")) {
  measured.setAttribute("aria-busy", "true");
  fetch(measured.dataset.measured, { headers: { Accept: "text/html" } }).then((answer) => answer.text()).then((text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    const got = page.getElementById("got") ?? page.querySelector("main");
    measured.querySelector("[role=status]").replaceWith(...got.childNodes);
  }).catch(() => {}).finally(() => measured.removeAttribute("aria-busy")); // the link stays
}

const large = document.querySelector("[data-large]");
if (large && large.querySelector("progress")) {
  const ask = async () => {
    const answer = await fetch(large.dataset.large);
    const state = answer.ok ? await answer.json() : { ready: true };
    large.querySelector("progress").value = 100 * (state.done ?? 0);
    if (state.ready) location.reload();
    else setTimeout(ask, 400);
  };
  ask().catch(() => {});
}
