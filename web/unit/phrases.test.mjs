import assert from 'node:assert/strict';
import test from 'node:test';
import { language, locale, phrase } from '../src/phrases.ts';

test('sentences come from the file of words', () => {
  assert.equal(language, 'en');
  assert.equal(locale, 'en-GB');
  assert.equal(phrase('file.not_written'), 'the file could not be written');
  assert.equal(phrase('file.folder_not_made', { why: 'no space' }), 'the folder could not be made: no space');
});

test('plural, choice and quotes are those of the engine', () => {
  assert.equal(phrase('injury.rays_displaced', { rays: 'the first ray', count: 1, way: 'medially' }), 'the first ray is displaced medially');
  assert.equal(phrase('injury.rays_displaced', { rays: 'all five rays', count: 5, way: 'laterally' }), 'all five rays are displaced laterally');
});

test('a code without words is shown with its arguments', () => {
  assert.equal(phrase('page.not_there', { bone: 'M2', n: 3 }), 'page.not_there bone=M2 n=3');
});
