// Speaks sentences one after the other: warnings before results before prompts, and only the newest prompt.

const ORDER = { warning: 0, result: 1, prompt: 2 };
const LONGEST_MS = 20000; // some browsers never tell that a sentence has ended

export class Mouth {
  constructor(onTrouble) {
    this.onTrouble = onTrouble;
    this.started = false;
    this.waiting = [];
    this.busy = null;
  }

  // Must be called from a tap: browsers let a page speak only after one.
  start(sentence) {
    this.started = true;
    if (!window.speechSynthesis) this.onTrouble("no speech in this browser");
    else this.say(sentence);
  }

  say(sentence) {
    if (!this.started || !window.speechSynthesis) return;
    if (sentence.urgency === "prompt") this.waiting = this.waiting.filter((s) => s.urgency !== "prompt");
    this.waiting.push(sentence);
    this.waiting.sort((a, b) => ORDER[a.urgency] - ORDER[b.urgency]);
    if (!this.busy) this.next();
  }

  next() {
    clearTimeout(this.busy);
    this.busy = null;
    const sentence = this.waiting.shift();
    if (!sentence) return;
    const utterance = new SpeechSynthesisUtterance(sentence.text);
    utterance.lang = "en-GB";
    let over = false;
    const done = (trouble) => {
      if (over) return;
      over = true;
      this.onTrouble(trouble);
      this.next();
    };
    utterance.onend = () => done("");
    utterance.onerror = (event) => done(event.error === "interrupted" || event.error === "canceled" ? "" : event.error);
    this.busy = setTimeout(() => {
      window.speechSynthesis.cancel();
      done("");
    }, LONGEST_MS);
    window.speechSynthesis.speak(utterance);
  }
}

// Keeps the screen on where the browser allows it; tells what it got, now and whenever that changes.
export class Wakefulness {
  constructor(onChange) {
    this.onChange = onChange;
    this.lock = null;
  }

  async ask() {
    if (this.lock && !this.lock.released) return;
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.lock.addEventListener("release", () => this.onChange(false));
      this.onChange(true);
    } catch {
      this.onChange(false); // no secure context, no such feature, or the battery is low
    }
  }
}
