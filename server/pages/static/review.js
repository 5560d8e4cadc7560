// Lays the view after over the view before and moves the line between them.
const slide = document.getElementById("slide");
const slider = document.getElementById("slider");
if (slide && slider) {
  const set = () => slide.style.setProperty("--at", slider.value + "%");
  slide.classList.add("over");
  slider.closest(".slider").hidden = false;
  slider.addEventListener("input", set);
  const follow = (event) => {
    if (event.buttons === 0 && event.type === "pointermove") return;
    const box = slide.getBoundingClientRect();
    slider.value = Math.max(0, Math.min(100, (event.clientX - box.left) / box.width * 100));
    set();
  };
  slide.addEventListener("pointerdown", follow);
  slide.addEventListener("pointermove", follow);
  slide.addEventListener("dragstart", (event) => event.preventDefault());
  set();
}
