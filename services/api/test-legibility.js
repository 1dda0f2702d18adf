// Run in a page: by how much it is wider than its window, and the contrast of every text that shows, after WCAG
// 2.2 (relative luminance, contrast ratio).

(() => {
  const luminance = (color) => {
    const channels = (color.match(/[\d.]+/g) ?? []).slice(0, 3).map((channel) => Number(channel) / 255);
    const [r, g, b] = channels.map((part) =>
      part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4,
    );
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const backgroundOf = (element) => {
    if (element === null) return 'rgb(255, 255, 255)';
    const { backgroundColor } = getComputedStyle(element);
    return /, 0\)$/.test(backgroundColor) ? backgroundOf(element.parentElement) : backgroundColor;
  };
  const contrasts = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
    const words = node.textContent.trim();
    const element = node.parentElement;
    if (words === '' || !element.checkVisibility()) continue;
    const [one, other] = [luminance(getComputedStyle(element).color), luminance(backgroundOf(element))];
    contrasts.push({ words, ratio: (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05) });
  }
  return { tooWide: document.documentElement.scrollWidth - window.innerWidth, contrasts };
})();
