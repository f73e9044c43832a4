// A Chromium driven over lines: a command and its arguments as JSON in, "ok" and
// what was found, or what went wrong, out. node browser.cjs CHROMIUM
const { chromium } = require('playwright-core');
const { readFileSync } = require('fs');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');

let browser, page, complaints = [];

const commands = {
  async open({ url, width, height, scheme }) {
    if (page) await page.context().close();
    const context = await browser.newContext({ viewport: { width, height }, colorScheme: scheme, ignoreHTTPSErrors: true }); // a test's own certificate
    page = await context.newPage();
    page.setDefaultTimeout(15000);
    complaints = [];
    page.on('pageerror', (e) => complaints.push(e.message));
    page.on('console', (m) => m.type() === 'error' && complaints.push(m.text()));
    await page.clock.install();
    await page.goto(url);
  },
  // expect waits until an element at a place has a text in it.
  async expect({ at, text }) {
    let all;
    for (let end = Date.now() + 15000; Date.now() < end; await new Promise((r) => setTimeout(r, 50))) {
      all = await page.evaluate((at) => [...document.querySelectorAll(at)].map((e) => e.textContent.replace(/\s+/g, ' ').trim()), at);
      if (all.some((t) => t.includes(text))) return;
    }
    throw new Error(`${at} never said ${JSON.stringify(text)} but ${JSON.stringify(all)}`);
  },
  async hidden({ at }) { await page.locator(at).first().waitFor({ state: 'hidden' }); },
  async visible({ at }) { return page.locator(at).filter({ visible: true }).count(); },
  async click({ at }) { await page.locator(at).first().click(); },
  async press({ at, key }) { await page.locator(at).first().press(key); },
  async fill({ at, text }) { await page.locator(at).fill(text); },
  async skip({ seconds }) { await page.clock.fastForward(seconds * 1000); },
  async script({ text }) { return page.evaluate(text); },
  async complaints() { return complaints; },
  async picture({ file, whole }) { await page.screenshot({ path: file, fullPage: whole }); },
  // axe gives each rule that is broken and where.
  async axe() {
    await page.evaluate(axe);
    const { violations, passes } = await page.evaluate('axe.run()');
    return { passed: passes.length, broken: violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => n.target + ' ' + n.any.map((a) => a.message)).join('; ')}`) };
  },
};

(async () => {
  browser = await chromium.launch({ executablePath: process.argv[2], args: ['--no-sandbox', '--disable-gpu'] });
  for await (const line of require('readline').createInterface({ input: process.stdin })) {
    const [name, ...rest] = line.split(' ');
    try {
      const found = await commands[name](JSON.parse(rest.join(' ') || '{}'));
      console.log('ok ' + JSON.stringify(found ?? null));
    } catch (e) {
      console.log('failed ' + e.message.replaceAll('\n', ' '));
    }
  }
  await browser.close();
})();
