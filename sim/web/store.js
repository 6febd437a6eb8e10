/**
 * What a page knows, as one snapshot of named values, and who hears when some of them change.
 *
 * @param {object} values at the start
 * @param {function} later puts a task off: changes until then are told together
 * @returns {{get, update, listen, subscribe}}
 */
export function createStore(values, later = queueMicrotask) {
  let snapshot = values;
  const listeners = new Set();
  let changed = new Set();
  let planned = false;

  function tell() {
    planned = false;
    const keys = changed;
    changed = new Set();
    for (const listener of [...listeners]) {
      if (listener.keys && !listener.keys.some((key) => keys.has(key))) continue;
      // One part that fails must not keep the news from the others.
      try { listener.call(snapshot, keys); } catch (error) { reportError(error); }
    }
  }

  /** Put values in; listeners hear of them together. */
  function update(news) {
    snapshot = { ...snapshot, ...news };
    for (const key of Object.keys(news)) changed.add(key);
    if (!planned) {
      planned = true;
      later(tell);
    }
  }

  /**
   * Call `call(snapshot, changedKeys)` after each change; `keys` limits it to those.
   * @returns a function that ends it
   */
  function listen(call, keys = null) {
    const listener = { call, keys };
    listeners.add(listener);
    return () => listeners.delete(listener);
  }

  /** As `listen`, and at once too. */
  function subscribe(call, keys = null) {
    const end = listen(call, keys);
    call(snapshot, new Set(keys ?? Object.keys(snapshot)));
    return end;
  }

  return { get: () => snapshot, update, listen, subscribe };
}
