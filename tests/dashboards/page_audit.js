/* WCAG 2.2: 1.4.3 contrast of text, 4.1.2 names of controls, 2.5.8 size of targets. Gives what is wrong. */
() => {
  const parse = text => {
    const numbers = text.match(/[\d.]+/g).map(Number);
    return numbers.length < 4 ? [...numbers, 1] : numbers;
  };
  const luminance = ([r, g, b]) => {
    const part = [r, g, b].map(c => c / 255).map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2];
  };
  const over = (top, under) => [0, 1, 2].map(i => top[i] * top[3] + under[i] * (1 - top[3]));
  const ground = node => {
    const layers = [];
    for (let n = node; n; n = n.parentElement) {
      const colour = parse(getComputedStyle(n).backgroundColor);
      if (colour[3] > 0) layers.push(colour);
      if (colour[3] === 1) break;
    }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255]);
  };
  const isShown = node => node.checkVisibility({visibilityProperty: true}) && node.getClientRects().length > 0 &&
    !node.closest('.for-readers, .skip-link, [aria-hidden="true"]');
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let text = walker.nextNode(); text; text = walker.nextNode()) {
    const node = text.parentElement;
    if (!text.textContent.trim() || node.closest('svg, script, style, option, :disabled') || !isShown(node)) continue;
    const style = getComputedStyle(node), ink = parse(style.color), under = ground(node);
    if (ink[3] === 0) continue;
    const [high, low] = [luminance(over(ink, under)), luminance(under)].sort((a, b) => b - a);
    const ratio = (high + 0.05) / (low + 0.05), size = parseFloat(style.fontSize);
    const isLarge = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    if (ratio < (isLarge ? 3 : 4.5)) found.push(`contrast ${ratio.toFixed(2)}: ${text.textContent.trim().slice(0, 40)}`);
  }
  const name = node => {
    const by = (node.getAttribute('aria-labelledby') || '').split(' ').filter(Boolean)
      .map(id => document.getElementById(id)?.textContent || '').join(' ');
    const labels = [...(node.labels || [])].map(l => l.textContent).join(' ');
    const own = node.matches('input, textarea') ? '' : node.textContent;
    return (by || node.getAttribute('aria-label') || labels || own || node.title || '').trim();
  };
  const controls = document.querySelectorAll(
    'button, a[href], input:not([type=hidden]), select, textarea, summary, [role=button], [role=slider], [role=alertdialog]');
  for (const node of controls) {
    if (!isShown(node)) continue;
    if (!name(node)) found.push(`no name: ${node.outerHTML.slice(0, 160)}`);
    const target = node.closest('label') || node, box = target.getBoundingClientRect();
    const isInline = getComputedStyle(node).display === 'inline' && node.matches('a');
    if (!isInline && Math.min(box.width, box.height) < 24 && node.getAttribute('role') !== 'alertdialog')
      found.push(`small target ${box.width.toFixed(0)}x${box.height.toFixed(0)}: ${node.outerHTML.slice(0, 120)}`);
  }
  for (const node of document.querySelectorAll('img:not([alt])')) found.push(`picture without words: ${node.src}`);
  return found;
}
