// Talking to the server: every failure becomes an Error with a message and a hint in plain words.

/** ``lost``: nothing came back; ``passes``: the same request may be taken later. */
export class Told extends Error {
  constructor(message, hint, { lost = false, passes = lost } = {}) {
    super(message);
    this.hint = hint;
    this.lost = lost;
    this.passes = passes;
  }
}

const LOST = new Told(
  "The connection to lightgap was lost.",
  "Is lightgap still running on the computer, and the phone on the same network?",
  { lost: true },
);
// Not paired any more, too many waiting: a photo is kept until these have passed.
const PASSING = [403, 503];

export async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw LOST;
  }
  return understood(answer.status, await answer.text());
}

export function askJson(method, path, body) {
  return ask(path, { method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
}

/** Post a form with a photo, telling how much of it has gone. */
export function send(path, form, progress) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.onerror = () => reject(LOST);
    request.onload = () => {
      try {
        resolve(understood(request.status, request.responseText));
      } catch (error) {
        reject(error);
      }
    };
    request.send(form);
  });
}

function understood(status, text) {
  let body;
  try {
    body = JSON.parse(text);
  } catch {
    throw new Told("The answer could not be read.", "Reload the page and try again.");
  }
  if (status < 400) return body;
  throw new Told(body.error.message, body.error.hint, { passes: PASSING.includes(status) });
}
