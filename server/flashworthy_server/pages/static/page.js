/* Makes working pages nicer; every page works without it.
   - Times stand in the reader's own zone (the server writes UTC).
   - A box ticks all others of a name.
   - A page on long work looks again by itself.
   - A version is read while it is typed. */
"use strict";

const two = (number) => String(number).padStart(2, "0");

function local(time) {
  const day = [time.getFullYear(), two(time.getMonth() + 1), two(time.getDate())].join("-");
  const parts = new Intl.DateTimeFormat("en-GB", { timeZoneName: "short" }).formatToParts(time);
  const zone = parts.find((part) => part.type === "timeZoneName").value;
  return `${day} ${two(time.getHours())}:${two(time.getMinutes())} ${zone}`;
}

for (const shown of document.querySelectorAll("time[datetime*=T]")) {
  const text = local(new Date(shown.dateTime));
  if (shown.title) shown.title = text;
  else shown.textContent = text;
}

for (const all of document.querySelectorAll("input[data-ticks]")) {
  all.parentElement.classList.remove("by-script");
  all.addEventListener("change", () => {
    for (const each of document.getElementsByName(all.dataset.ticks)) each.checked = all.checked;
  });
}

const again = document.querySelector("[data-look-again-seconds]");
if (again) setTimeout(() => location.reload(), 1000 * again.dataset.lookAgainSeconds);

for (const told of document.querySelectorAll("[data-reading]")) {
  const [maker, version] = [told.dataset.maker, told.dataset.version].map((id) => document.getElementById(id));
  let wait;
  const read = async () => {
    const asked = { maker: maker.value, version: version.value, runs: told.dataset.runs };
    const answer = await fetch(`${told.dataset.reading}?${new URLSearchParams(asked)}`);
    if (answer.ok && asked.version === version.value) told.textContent = await answer.text();
  };
  for (const each of [maker, version])
    each.addEventListener("input", () => {
      clearTimeout(wait);
      wait = setTimeout(read, 300);
    });
}
