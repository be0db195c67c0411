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

  /** Take photos in; each goes with the same fields. */
  async add(photos, fields) {
    await this.change((store) => photos.forEach((photo) => store.add({ photo, name: photo.name, fields })));
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
          taken.push(await this.post(item, waiting.length));
        } catch (error) {
          this.tell({ waiting: waiting.length, share: null, error, name: item.name });
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

  post({ photo, name, fields }, waiting) {
    const body = new FormData();
    body.append("photo", photo, name);
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

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("lightgap", 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "id", autoIncrement: true });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}
