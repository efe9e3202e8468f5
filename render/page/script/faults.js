/** Failures of the page itself: none is swallowed, each is told where the listener looks. */

/** @param {(words: string) => void} tell */
export function watchFaults(tell) {
  // without an error it is a remark of the browser's, such as one on how often drawings followed the window
  addEventListener("error", ({ error }) => error && tell(wordsOf(error)));
  addEventListener("unhandledrejection", ({ reason }) => tell(wordsOf(reason)));
}

/**
 * @param {unknown} fault
 * @returns {string}
 */
export function wordsOf(fault) {
  return fault instanceof Error ? fault.message : String(fault);
}
