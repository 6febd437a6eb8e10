/** Papers that are laid over the table: each a <dialog>, closed by Escape, its button or a press beside it. */
import { el } from "../../../web/elements.js";

let count = 0;

/** @returns {{node, open, close}} a dialog named by its first heading */
export function dialog(kind, heading, ...children) {
  const id = `dialog-${++count}`;
  heading.id = id;
  const close = el("button", { class: "quiet close", type: "button", "aria-label": "Close" }, "\u00d7");
  const node = el(
    "dialog",
    { class: `paper ${kind}`, "aria-labelledby": id },
    el("div", { class: "paper-head" }, heading, close),
    el("div", { class: "paper-body" }, children),
  );
  close.addEventListener("click", () => node.close());
  node.addEventListener("pointerdown", (event) => {
    const box = node.getBoundingClientRect();
    const outside =
      event.clientX < box.left || event.clientX > box.right || event.clientY < box.top || event.clientY > box.bottom;
    if (event.target === node && outside) node.close();
  });
  return {
    node,
    open: () => {
      if (!node.open) node.showModal();
    },
    close: () => node.close(),
  };
}

/**
 * Ask for a line of text, or with `value` null only for a yes.
 * @param {string} title
 * @param {string} label
 * @param {string | null} value
 * @param {{does?: string, danger?: boolean, other?: string | null,
 *   refuse?: ((answer: any) => Promise<string | null>) | null}} [options] `refuse(answer)` does what is asked and gives
 *   a refusal to show, or null: the paper stays until then
 * @returns {Promise<string | boolean | null>} the text, true for a yes, null when closed
 */
export function promptFor(title, label, value, { does = "Do it", danger = false, other = null, refuse = null } = {}) {
  const id = `ask-${count}`;
  const error = el("p", { class: "error", id: `${id}-error`, role: "alert" });
  const input =
    value === null
      ? null
      : el("input", {
          type: "text",
          id,
          value,
          autocomplete: "off",
          spellcheck: "false",
          "aria-describedby": error.id,
        });
  const button = el("button", { type: "submit", class: danger ? "danger" : "main" }, does);
  const second = other ? el("button", { type: "button" }, other) : null;
  const form = el(
    "form",
    { method: "dialog" },
    input ? el("label", { for: input.id }, label) : el("p", {}, label),
    input,
    error,
    el("div", { class: "row end" }, second, button),
  );
  const box = dialog("ask", el("h2", {}, title), form);
  document.body.append(box.node);
  return new Promise((resolve) => {
    let answer = null;
    form.addEventListener("submit", async (event) => {
      const given = input ? input.value.trim() : true;
      if (!refuse) {
        answer = given;
        return;
      }
      event.preventDefault();
      button.disabled = true;
      const refused = await refuse(given);
      button.disabled = false;
      error.textContent = refused ?? "";
      if (refused) {
        input?.setAttribute("aria-invalid", "true");
        input?.focus();
        return;
      }
      answer = given;
      box.close();
    });
    second?.addEventListener("click", () => {
      answer = false;
      box.close();
    });
    box.node.addEventListener("close", () => {
      box.node.remove();
      resolve(answer);
    });
    box.open();
    input?.select();
  });
}
