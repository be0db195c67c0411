// Photos on their way to be measured. Each is kept in this browser's own storage until the server has it:
// a lost connection, a locked phone or a closed page loses none.

import { send } from "./server.js";

const STORE = "outbox";
const AGAIN_MS = 3000;

export class Outbox {
  /** ``tell`` is called with {waiting, share, error} whenever something changes. */
  constructor(tell) {
    this.tell = tell;
    this.running = false;
    this.database = open();
  }

  /** Take checks in, each a list of photos; each goes with the same fields. */
  async add(checks, fields) {
    await this.change((store) => checks.forEach((photos) => store.add({ photos, name: photos[0].name, fields })));
  }

  async waiting() {
    return this.change((store) => store.getAll(), "readonly");
  }

  /** Send all that waits, the oldest first; resolves with the checks that were taken in. */
  async flush() {
    if (this.running) return [];
    this.running = true;
    const taken = [];
    try {
      for (let waiting = await this.waiting(); waiting.length; waiting = await this.waiting()) {
        const [item] = waiting;
        try {
          taken.push(await this.post(item, count(waiting)));
        } catch (error) {
          this.tell({ waiting: count(waiting), share: null, error, name: item.name });
          if (error.passes) {
            await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
            continue;
          }
        }
        await this.change((store) => store.delete(item.id));
      }
    } finally {
      this.running = false;
    }
    this.tell({ waiting: 0, share: null, error: null });
    return taken;
  }

  post({ photos, name, fields }, waiting) {
    const body = new FormData();
    for (const photo of photos) body.append("photo", photo, photo.name);
    for (const [key, value] of Object.entries(fields)) body.append(key, value);
    return send("/api/checks", body, (share) => this.tell({ waiting, share, error: null, name }));
  }

  async change(work, mode = "readwrite") {
    const transaction = (await this.database).transaction(STORE, mode);
    const request = work(transaction.objectStore(STORE));
    await new Promise((resolve, reject) => {
      transaction.oncomplete = resolve;
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
    return request?.result;
  }
}

function count(waiting) {
  return waiting.reduce((sum, { photos }) => sum + photos.length, 0);
}

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("lightgap", 2);
    request.onupgradeneeded = ({ oldVersion }) => {
      if (oldVersion === 0) request.result.createObjectStore(STORE, { keyPath: "id", autoIncrement: true });
      else listPhotos(request.transaction.objectStore(STORE));
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/** Version 1 kept one photo in each entry. */
function listPhotos(store) {
  store.openCursor().onsuccess = ({ target: { result: cursor } }) => {
    if (!cursor) return;
    const { photo, ...rest } = cursor.value;
    cursor.update({ ...rest, photos: [new File([photo], rest.name, { type: photo.type })] });
    cursor.continue();
  };
}
