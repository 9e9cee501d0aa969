// What axe-core finds in every place, the list, theatre and the second screen: nothing serious.
import { test } from 'node:test';
import { footDrawn, goTo, kPlaces, open, openCase, settled, t } from './browser.mjs';
import { browser, d } from './fixture.mjs';
import { sound } from './soundness.mjs';

test('the list of cases', async (context) => {
  const w = await open(browser, d.server);
  await w.page.locator(t(`case-${d.id}`)).waitFor();
  await sound(w.page, 'list', context);
  await w.close();
});

for (const place of kPlaces)
  test(place, async (context) => {
    const w = await openCase(browser, d, place);
    if (place !== 'theatre') await footDrawn(w.page).catch(() => undefined);
    await settled(w.page);
    await sound(w.page, place, context);
    await w.close();
  });

test('history and notes, an open menu, every view', async (context) => {
  const w = await openCase(browser, d, 'injury');
  await w.page.locator(t('history-open')).click();
  await w.page.locator(t('foot-show')).first().click();
  await settled(w.page);
  await sound(w.page, 'history open', context);
  await w.page.locator(t('history-open')).click();
  await w.page.locator(t('foot-show')).first().click();
  await w.page.locator(t('view-large')).selectOption('film');
  await w.page.locator(t('view-beside')).selectOption('along');
  await settled(w.page);
  await sound(w.page, 'film and slice', context);
  await w.close();
});

test('a failing device, and words about a lost connection', async (context) => {
  const s3 = (await d.state()).plan.devices.find((x) => x.id === 'S3');
  await d.server.edit(d.id, 'device.set', { id: 'S3', entry: s3.entry, tip: s3.tip.map((v, i) => v + [7, 0, 7][i]) });
  const w = await openCase(browser, d, 'fixation');
  await w.page.locator(t('device-S3')).click();
  await settled(w.page);
  await sound(w.page, 'failing device', context);
  await w.context.setOffline(true);
  await w.page.locator(t('case-name')).fill('never');
  await w.page.keyboard.press('Enter');
  await w.page.locator(t('lost')).waitFor();
  await sound(w.page, 'lost connection', context);
  await w.close();
});

test('the second screen', async (context) => {
  const w = await open(browser, d.server, `/watch/${d.id}`, { width: 1280, height: 720 });
  await w.page.locator(t('theatre')).waitFor();
  await sound(w.page, 'second screen', context);
  await w.close();
});

test('a case without images', async (context) => {
  const made = await d.server.post('/api/cases', { name: 'Empty' });
  const w = await open(browser, d.server, `/#${made.id}`);
  for (const place of ['images', 'injury', 'followup']) {
    await goTo(w.page, place);
    await sound(w.page, `empty ${place}`, context);
  }
  await w.close();
});
