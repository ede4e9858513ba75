// What office pages do besides links and forms: files dropped, and work that is under way.
document.documentElement.classList.add("scripted");

for (const form of document.querySelectorAll("form[data-drop]")) {
  const input = form.querySelector("input[type=file]");
  const status = form.querySelector("[data-status]");
  const over = (event, on) => {
    event.preventDefault();
    form.classList.toggle("over", on);
  };
  form.addEventListener("dragover", (event) => over(event, true));
  form.addEventListener("dragleave", (event) => over(event, false));
  form.addEventListener("drop", (event) => {
    over(event, false);
    if (event.dataTransfer && event.dataTransfer.files.length) {
      input.files = event.dataTransfer.files;
      form.requestSubmit();
    }
  });
  form.addEventListener("submit", () => {
    status.textContent = form.dataset.sending;
  });
}

for (const place of document.querySelectorAll("[data-job]")) {
  const list = place.querySelector("[data-stages]");
  let shown = list.children.length;
  const look = async () => {
    try {
      const answer = await fetch(place.dataset.job, { headers: { accept: "application/json" } });
      if (answer.ok) {
        const job = await answer.json();
        for (const stage of job.stages.slice(shown)) {
          const item = document.createElement("li");
          item.textContent = stage;
          list.append(item);
        }
        shown = job.stages.length;
        if (job.over || job.state !== place.dataset.state) {
          window.location.reload();
          return;
        }
      }
    } catch (error) {
      // The server may be starting anew: ask again.
    }
    window.setTimeout(look, 700);
  };
  look();
}

// On a narrow screen the stations are scrolled: show the one that is open.
const here = document.querySelector("nav.stations [aria-current]");
if (here) {
  const list = here.closest("nav");
  list.scrollLeft = here.offsetLeft - (list.clientWidth - here.offsetWidth) / 2;
}
