/** Makes an element; texts are only ever set as text, never as markup. */
export function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === false) continue;
    made.setAttribute(name, value === true ? '' : value);
  }
  made.append(...children.filter((child) => child !== undefined && child !== null));
  return made;
}

export function byId(id) {
  const found = document.getElementById(id);
  if (found === null) throw new Error(`there is no #${id}`);
  return found;
}
