// Service worker: pages come from the server; with the server out of reach the page
// for keeping photos comes from the phone. No page with a woman's data is ever kept.
"use strict";

// What makes the smaller photo, here and in the pages' worker.
const SMALLER = ["card", "markers", "pictures", "segments", "jpegbits", "jpegin", "jpegout", "cardpart", "reduce"];
importScripts(...["queue", ...SMALLER].map((name) => `/static/${name}.js`));
self.makeSmallerPhoto = (blob) => Reduce.make({ blob });

const CACHE = "cardreader-@VERSION@";
const SHELL = "/unsent";
const SCRIPTS = [
  "queue", "timers", "eyes", "app", "framing", "photoform", "moving", "look", ...SMALLER,
].map((name) => `/static/${name}.js`);
const FILES = ["/static/schemes.css", "/static/style.css", "/static/icon-192.png", ...SCRIPTS];

async function fill() {
  const cache = await caches.open(CACHE);
  await cache.addAll([SHELL, ...FILES].map((url) => new Request(url, { cache: "reload" })));
}

self.addEventListener("install", (event) => {
  event.waitUntil(fill().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== CACHE) await caches.delete(name);
    await self.clients.claim();
  })());
});

self.addEventListener("message", (event) => {
  if (event.data === "refresh") event.waitUntil(fill());
});

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (request.mode === "navigate") event.respondWith(navigate(request));
  else if (FILES.includes(url.pathname)) event.respondWith(file(request));
});

async function navigate(request) {
  try {
    return await fetch(request);
  } catch {
    return (await caches.match(SHELL)) || Response.error();
  }
}

async function file(request) {
  const cache = await caches.open(CACHE);
  try {
    const answer = await fetch(request);
    if (answer.ok) await cache.put(request, answer.clone());
    return answer;
  } catch {
    return (await cache.match(request)) || Response.error();
  }
}

self.addEventListener("sync", (event) => {
  if (event.tag === "photos") event.waitUntil(Queue.flush());
});
