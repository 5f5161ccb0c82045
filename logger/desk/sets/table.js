// A table of clubs that behaves like a spreadsheet's: arrows and Enter move, a block of cells is
// pasted from where the cursor stands, and the last row grows another.

const form = document.getElementById("set");
const body = form.querySelector("tbody");
const rows = () => [...body.rows];
const fields = (row) => [...row.querySelectorAll("input, select")];

function grow() {
  const last = rows().at(-1);
  const row = last.cloneNode(true);
  const at = rows().length;
  fields(row).forEach((field) => {
    field.name = field.name.replace(/^\d+/, at);
    field.value = "";
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
    field.setAttribute("aria-label", `row ${at + 1}, ${field.name.split(".")[1].split("_")[0]}`);
  });
  row.querySelectorAll(".wrong").forEach((words) => words.remove());
  body.append(row);
  return row;
}

const place = (field) => {
  const row = field.closest("tr");
  return { at: rows().indexOf(row), column: fields(row).indexOf(field) };
};

body.addEventListener("input", (event) => {
  if (event.target.closest("tr") === body.lastElementChild && rows().length < 40) grow();
});

body.addEventListener("paste", (event) => {
  const text = event.clipboardData.getData("text");
  if (!/[\t\n]/.test(text.trim())) return;
  event.preventDefault();
  if (text.length > 200_000) {
    window.alert("That is more than any set of clubs has: nothing was pasted.");
    return;
  }
  const { at, column } = place(event.target);
  const lines = text.replace(/\r\n?/g, "\n").replace(/\n+$/, "").split("\n").slice(0, 40 - at);
  // A row of headings goes to the reader of whole tables, which knows what they mean.
  if (/\b(club|length|lie)\b/i.test(lines[0]) && !/\d/.test(lines[0])) {
    const whole = document.getElementById("pasted");
    whole.closest("details").open = true;
    whole.value = text;
    whole.form.requestSubmit();
    return;
  }
  lines.forEach((line, down) => {
    while (rows().length <= at + down) grow();
    const own = fields(rows()[at + down]);
    line.split("\t").forEach((value, across) => {
      const field = own[column + across];
      if (!field) return;
      const plain = value.trim();
      if (field.tagName === "SELECT") {
        const found = [...field.options].find(({ value: v }) => v === plain.toLowerCase());
        field.value = found ? found.value : "";
      } else field.value = plain;
    });
  });
  if (rows().length < 40) grow();
  form.dispatchEvent(new Event("input"));
});

body.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1, Enter: 1 }[event.key];
  if (!step || event.target.tagName === "SELECT" || event.ctrlKey || event.altKey) return;
  const { at, column } = place(event.target);
  const next = rows()[at + step];
  if (!next) return;
  event.preventDefault();
  const field = fields(next)[column];
  field.focus();
  field.select?.();
});

// What stands above the table goes along with a file.
for (const same of document.querySelectorAll("[data-same]")) {
  same.form.addEventListener("submit", () => {
    same.value = document.getElementById(same.dataset.same).value;
    const hand = form.querySelector("[name=hand]:checked");
    same.form.elements.hand.value = hand ? hand.value : "right";
  });
}
