"""Our own small stand-in for the application's module of base classes, which no package brings.

It stands for what the module under test uses of it: attributes, a layout, the path of a resource, ``unittest``.
"""

import sys
import types
import unittest


class _Parent:
    """Takes any attribute, as the application's module object does."""


class ScriptedLoadableModule:
    def __init__(self, parent):
        self.parent = parent


class ScriptedLoadableModuleWidget:
    def __init__(self, parent=None):
        self.parent = parent

    def setup(self):
        pass


class ScriptedLoadableModuleLogic:
    def __init__(self, parent=None):
        pass


class ScriptedLoadableModuleTest(unittest.TestCase):
    def __init__(self, *args, **more):
        super().__init__(*(args or ("runTest",)), **more)


def installed(scene):
    """Put the stand-in and a scene where the module looks for them; returns what undoes it."""
    import slicer

    module = types.ModuleType("slicer.ScriptedLoadableModule")
    for each in (
        ScriptedLoadableModule,
        ScriptedLoadableModuleWidget,
        ScriptedLoadableModuleLogic,
        ScriptedLoadableModuleTest,
    ):
        setattr(module, each.__name__, each)
    sys.modules["slicer.ScriptedLoadableModule"] = module
    slicer.ScriptedLoadableModule, slicer.mrmlScene = module, scene

    def undo():
        sys.modules.pop("slicer.ScriptedLoadableModule", None)
        del slicer.ScriptedLoadableModule, slicer.mrmlScene

    return undo


def parent():
    return _Parent()
