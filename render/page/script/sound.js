/** The bytes of a sound: they lie in the page as text, or in a script beside it that hands them over. */

const FOLDER = "sound";
const NAME = /^[0-9a-f]{32}$/;

/**
 * @param {string} text base64
 * @returns {ArrayBuffer}
 */
function decoded(text) {
  let binary;
  try {
    binary = atob(text);
  } catch {
    throw new Error("A sound in this page is damaged: ask for the page again.");
  }
  const bytes = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; i += 1) bytes[i] = binary.charCodeAt(i);
  return bytes.buffer;
}

/**
 * The address of a sound's script, as the browser wants it: only addresses made here are loaded.
 * @param {string} name
 * @returns {any}
 */
function address(name) {
  if (!NAME.test(name)) throw new RangeError("not the name of a sound");
  const trusted = /** @type {any} */ (globalThis).trustedTypes;
  policy ??= trusted
    ? trusted.createPolicy("sounds", { createScriptURL: (/** @type {string} */ url) => url })
    : null;
  const url = `${FOLDER}/${name}.js`;
  return policy ? policy.createScriptURL(url) : url;
}

/** @type {any} */
let policy;

/**
 * @param {string} name
 * @returns {Promise<string>}
 */
function loaded(name) {
  return new Promise((resolve, reject) => {
    const script = document.createElement("script");
    /** @param {any} event */
    const receive = (event) => {
      if (event.detail.name === name) resolve(event.detail.text);
    };
    const done = () => {
      document.removeEventListener("sound", receive);
      script.remove();
      reject(
        new Error(
          `A sound is missing: the folder \u201c${FOLDER}\u201d belongs beside this page. Copy both.`,
        ),
      );
    };
    document.addEventListener("sound", receive);
    script.addEventListener("load", done); // too late to matter if the sound has come
    script.addEventListener("error", done);
    script.src = address(name);
    document.head.append(script);
  });
}

/**
 * The FLAC file with this name.
 * @param {string} name
 * @returns {Promise<ArrayBuffer>}
 */
export async function soundBytes(name) {
  const inside = document.getElementById(`sound-${name}`);
  return decoded(inside ? (inside.textContent ?? "") : await loaded(name));
}
