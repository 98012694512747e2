"""The examples in the docstrings of the public names run and give what they show."""

import doctest
import inspect

import pytest

import cordlab

EXAMPLES = {
    test.name: test
    for name in cordlab.__all__
    if inspect.isclass(getattr(cordlab, name)) or inspect.isfunction(getattr(cordlab, name))
    for test in doctest.DocTestFinder(recurse=False).find(getattr(cordlab, name), name)
    if test.examples
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_gives_what_it_shows(name):
    test = EXAMPLES[name]
    shown: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    assert runner.run(test, out=shown.append).failed == 0, "".join(shown)
