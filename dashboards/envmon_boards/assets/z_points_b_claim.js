// Claiming a topic: choose bay and quantities, see the exact lines, add them.
"use strict";
(() => {
  const { make, ask } = window.envmon;
  const LEAVE = "";

  function field(label, element) {
    const box = make("label", "claim-field", "");
    box.append(make("span", "", label), element);
    return box;
  }

  function optionsOf(pairs) {
    return pairs.map(([value, text]) => {
      const option = make("option", "", text);
      option.value = value;
      return option;
    });
  }

  function choices(className, pairs, chosen) {
    const select = make("select", className, "");
    select.append(...optionsOf(pairs));
    select.value = chosen;
    return select;
  }

  // A quantity is proposed where the payload says it; what is open waits for a person.
  function offerRow(offer, table) {
    const row = make("div", "claim-offer", "");
    row.offer = offer;
    const what = choices("take-as", [[LEAVE, "leave out"],
      ...[...offer.quantities, ...offer.others].map((each) => [each, table[each].label])],
      offer.sure === "said" ? offer.quantities[0] : LEAVE);
    const unit = make("select", "take-unit", "");
    const showUnits = () => {
      const units = offer.in_payload ? [] : table[what.value]?.units ?? [];
      const said = units.includes(offer.unit) ? offer.unit : units[0];
      unit.replaceChildren(...optionsOf(units.map((each) => [each, each])));
      if (said) unit.value = said;
      unit.parentElement?.toggleAttribute("hidden", units.length < 2);
    };
    what.addEventListener("change", showUnits);
    row.append(field(offer.shown || "the number", what), field("sent in", unit));
    showUnits();
    return row;
  }

  function textField(className, value, length) {
    const input = make("input", className, "");
    Object.assign(input, { value, maxLength: length, autocomplete: "off", spellcheck: false });
    return input;
  }

  function key(text, className, act) {
    const button = make("button", className, text);
    button.type = "button";
    button.addEventListener("click", act);
    return button;
  }

  function open(card, { bays, quantities }) {
    const { row } = card;
    card.open = true;
    card.querySelector(".claim-key").hidden = true;
    const form = make("div", "claim-form", "");
    const bay = choices("bay", [["", "outdoors, or of the whole shop"],
      ...bays.map((each) => [each.id, each.name])], row.bay ?? (bays.length === 1 ? bays[0].id : ""));
    const name = textField("point", row.point, 40);
    const stale = textField("stale", row.stale_after, 20);
    stale.placeholder = "1 min";
    const rows = row.offers.filter((each) => each.quantities.length).map((each) => offerRow(each, quantities));
    const say = make("p", "claim-say", "");
    say.setAttribute("role", "status");
    const lines = make("pre", "claim-lines", "");
    lines.hidden = true;
    const ends = make("div", "claim-ends", "");
    form.append(...rows, field("bay", bay), field("name of the point", name),
      field("older readings do not count", stale), say, lines, ends);
    const parts = { card, form, bay, name, stale, rows, say, lines, ends };
    form.addEventListener("input", () => asking(parts));
    asking(parts);
    card.querySelector(".claim-room").replaceChildren(form);
    bay.focus({ preventScroll: true });
  }

  function close(card) {
    card.open = false;
    card.querySelector(".claim-room").replaceChildren();
    card.querySelector(".claim-key").hidden = false;
  }

  function bodyOf(parts) {
    const { row } = parts.card;
    const takes = parts.rows.map((each) => {
      const quantity = each.querySelector(".take-as").value;
      const unit = each.querySelector(".take-unit");
      // The quantity's own unit need not be written.
      const said = unit.selectedIndex > 0 ? unit.value : "";
      return { quantity, place: each.offer.place, unit: said };
    }).filter((each) => each.quantity !== LEAVE);
    return {
      topic: row.topic, format: row.format, bay: parts.bay.value, point: parts.name.value.trim(),
      stale_after: parts.stale.value.trim(), takes,
    };
  }

  function asking(parts) {
    parts.lines.hidden = true;
    parts.say.textContent = "";
    parts.ends.replaceChildren(
      key("show the lines", "claim-key", () => show(parts)),
      key("not now", "claim-leave", () => close(parts.card)),
    );
  }

  async function send(parts, more) {
    parts.say.textContent = "…";
    try {
      return await ask("/api/v1/points/claim", { ...bodyOf(parts), ...more });
    } catch (error) {
      const known = error.name === "Error";
      parts.say.textContent = known ? error.message : "Not done: the board server does not answer.";
      return null;
    }
  }

  async function show(parts) {
    if (!bodyOf(parts).takes.length) {
      parts.say.textContent = "Choose what at least one of the numbers is.";
      return;
    }
    const answer = await send(parts, {});
    if (!answer) return;
    parts.lines.textContent = answer.lines;
    parts.lines.hidden = false;
    const leave = key("back", "claim-leave", () => asking(parts));
    if (!answer.writable) {
      parts.say.textContent = `${answer.file} cannot be written from here. Put these lines at its end, then start envmon again:`;
      parts.ends.replaceChildren(leave);
      return;
    }
    parts.say.textContent = `These lines will be added to ${answer.file}:`;
    const add = key("add them", "claim-key main", () => write(parts, answer.seen));
    parts.ends.replaceChildren(add, leave);
  }

  async function write(parts, seen) {
    parts.ends.replaceChildren();
    const answer = await send(parts, { seen, write: true });
    if (!answer) {
      parts.ends.replaceChildren(key("back", "claim-leave", () => asking(parts)));
      return;
    }
    parts.say.textContent = answer.done;
    parts.ends.replaceChildren(key("good", "claim-leave", () => close(parts.card)));
  }

  Object.assign(window.envmon.points, { open });
})();
