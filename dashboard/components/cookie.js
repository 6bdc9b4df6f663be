// Keeps a word in this browser until it is closed, such as the name of whoever speaks: each link of ours loads the page anew.

export default function (component) {
  const { cookie, told } = component.data;
  document.cookie = `${cookie}=${encodeURIComponent(told)}; path=/; SameSite=Strict`;
}
