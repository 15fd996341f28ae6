// Shows prepared HTML. A click on a link that names a place inside the program is handed to it, so
// that the page changes without loading anew; opened in another tab the same link works by itself.
// What somebody asked for by a click is brought into sight.
export default function ({ data, parentElement, setTriggerValue }) {
  const root = parentElement.querySelector(".plate");
  if (root.dataset.shown !== data) {
    root.innerHTML = data;
    root.dataset.shown = data;
    root.querySelector("[data-arrived]")?.scrollIntoView({ block: "start" });
  }
  root.onclick = (event) => {
    const link = event.target.closest("a[data-open]");
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    setTriggerValue("open", link.dataset.open);
  };
}
