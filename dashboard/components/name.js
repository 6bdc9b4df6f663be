// Keeps the name of whoever speaks in this browser until it is closed: each link of ours loads the page anew.

export default function (component) {
  const { cookie, name } = component.data;
  document.cookie = `${cookie}=${encodeURIComponent(name)}; path=/; SameSite=Strict`;
}
