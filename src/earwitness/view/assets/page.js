// The page is whole without this. With it: frames and rows light up together, tables sort by their heads,
// and what is folded unfolds for a link into it and for printing.
"use strict";
for (const mark of document.querySelectorAll(".mark[data-row]")) {
  const row = document.getElementById(mark.dataset.row);
  if (!row) continue;
  const light = (on) => { mark.classList.toggle("lit", on); row.classList.toggle("lit", on); };
  for (const part of [mark, row]) {
    part.addEventListener("pointerenter", () => light(true));
    part.addEventListener("pointerleave", () => light(false));
    part.addEventListener("focusin", () => light(true));
    part.addEventListener("focusout", () => light(false));
  }
}
for (const table of document.querySelectorAll("table[data-sortable]")) {
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = document.createElement("span");  // a <button> would keep the head from being printed on every page
    button.role = "button";
    button.tabIndex = 0;
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      button.click();
    });
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const value = (row) => row.cells[column].dataset.sort ?? row.cells[column].textContent;
      const rows = [...table.tBodies[0].rows].sort((a, b) => {
        const x = value(a), y = value(b), order = x - y;
        return Number.isNaN(order) ? x.localeCompare(y) : order;
      });
      if (!up) rows.reverse();
      table.tBodies[0].append(...rows);
    });
  });
}
const reveal = () => {
  const aim = document.getElementById(location.hash.slice(1));
  let folded = aim?.closest("details:not([open])");
  if (!folded) return;
  for (; folded; folded = folded.parentElement.closest("details:not([open])")) folded.open = true;
  aim.scrollIntoView();
};
addEventListener("hashchange", reveal);
reveal();
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const part of opened) part.open = true;
});
addEventListener("afterprint", () => { for (const part of opened) part.open = false; });
