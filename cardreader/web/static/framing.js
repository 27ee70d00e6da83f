// Taking the photo inside the page, with words while framing: move closer, hold it straight,
// hold still, turn away from the lamp. Of several pictures the sharpest is taken. The phone's
// own camera stays beside it, and is all there is where a page may not use the camera.
"use strict";

const Framing = (() => {
  const LOOK_EVERY_MS = 350;
  const STILLS = 3;
  const FRAMES = 6;
  const FRAME_EVERY_MS = 90;
  const IDEAL = { width: { ideal: 4096 }, height: { ideal: 3072 } };

  const mayUse = () => window.isSecureContext && navigator.mediaDevices
    && navigator.mediaDevices.getUserMedia && typeof OffscreenCanvas !== "undefined"
    && typeof HTMLDialogElement !== "undefined";

  function setUp(form, take) {
    const open = form.querySelector(".framing-open");
    if (!open || !mayUse()) return;
    open.hidden = false;
    open.addEventListener("click", () => frameIt(form, take));
  }

  async function frameIt(form, take) {
    const dialog = form.querySelector("dialog.framing");
    const words = dialog.querySelector(".framing-words");
    const shutter = dialog.querySelector(".framing-take");
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia(
        { audio: false, video: { facingMode: { ideal: "environment" }, ...IDEAL } });
    } catch {
      form.querySelector(".form-status").textContent = dialog.dataset.none;
      return;
    }
    const video = dialog.querySelector("video");
    video.srcObject = stream;
    await video.play().catch(() => {});
    const watch = { on: true };
    const end = () => {
      watch.on = false;
      stream.getTracks().forEach((track) => track.stop());
      video.srcObject = null;
    };
    dialog.addEventListener("close", end, { once: true });
    dialog.querySelector(".framing-close").onclick = () => dialog.close();
    shutter.disabled = false;
    shutter.onclick = async () => {
      shutter.disabled = true;
      watch.on = false;
      words.textContent = dialog.dataset.taking;
      const file = await sharpest(stream, video).catch(() => null);
      dialog.close();
      if (file) take(file);
      else form.querySelector(".form-status").textContent = dialog.dataset.none;
    };
    dialog.showModal();
    tell(video, words, dialog, watch);
  }

  async function tell(video, words, dialog, watch) {
    const advice = JSON.parse(dialog.dataset.advice);
    while (watch.on) {
      const seen = video.videoWidth ? await Eyes.frame(await createImageBitmap(video)) : null;
      if (!watch.on) return;
      if (seen) {
        words.textContent = seen.reason ? advice[seen.reason] : dialog.dataset.good;
        dialog.classList.toggle("good", !seen.reason);
        dialog.dataset.seen = JSON.stringify(seen);
      }
      await pause(LOOK_EVERY_MS);
    }
  }

  const pause = (ms) => new Promise((resolve) => { setTimeout(resolve, ms); });

  // The sharpest of several stills of the camera at its full size, else of its frames.
  async function sharpest(stream, video) {
    const [track] = stream.getVideoTracks();
    const stills = await stillsOf(track);
    if (stills.length) return new File([await best(stills)], "photo.jpg", { type: "image/jpeg" });
    return fromFrames(video);
  }

  async function stillsOf(track) {
    const stills = [];
    if (typeof ImageCapture === "undefined") return stills;
    try {
      const camera = new ImageCapture(track);
      const size = await camera.getPhotoCapabilities()
        .then(({ imageWidth, imageHeight }) => ({ imageWidth: imageWidth.max, imageHeight: imageHeight.max }))
        .catch(() => undefined);
      for (let k = 0; k < STILLS; k++) stills.push(await camera.takePhoto(size));
    } catch { /* what was taken before it failed stands */ }
    return stills;
  }

  async function best(blobs) {
    let chosen = blobs[0], most = -1;
    for (const blob of blobs) {
      const seen = await Eyes.frame(await createImageBitmap(blob));
      if (seen && seen.sharp > most) { most = seen.sharp; chosen = blob; }
    }
    return chosen;
  }

  async function fromFrames(video) {
    let chosen = null, most = -1;
    for (let k = 0; k < FRAMES; k++) {
      const kept = await createImageBitmap(video);
      // A copy of it, not of the film: that may have gone on, and a soft one would be kept for a sharp.
      const seen = await Eyes.frame(await createImageBitmap(kept));
      const sharp = seen ? seen.sharp : 0;
      if (sharp > most) {
        if (chosen) chosen.close();
        most = sharp;
        chosen = kept;
      } else kept.close();
      await pause(FRAME_EVERY_MS);
    }
    const canvas = new OffscreenCanvas(chosen.width, chosen.height);
    canvas.getContext("2d").drawImage(chosen, 0, 0);
    const blob = await canvas.convertToBlob({ type: "image/jpeg", quality: 0.95 });
    const note = `cardreader-frame/1 size=${chosen.width}x${chosen.height}`;
    const bytes = Reduce.marked(new Uint8Array(await blob.arrayBuffer()), note);
    return new File([bytes], "photo.jpg", { type: "image/jpeg" });
  }

  return { setUp };
})();
