"""The one node that holds the truth of a scene: the plan's text, and references to the nodes that are its picture."""

from __future__ import annotations

import json
from typing import Any

import slicer
from cotyle.case.plan_file import PlanFile
from cotyle.case.schema import validated
from cotyle.errors import InputError
from slicer import vtkMRMLScene, vtkMRMLScriptedModuleNode

MODULE = "Cotyle"
VERSION = "1"
_VERSION, _PLAN, _SIDE, _SERIES = "SceneVersion", "Plan", "Side", "Series"


class Record:
    """The parameter node of a scene.

    Its text fields: the version of this layout, the plan as JSON, the side, and a digest of the series that tells scans
    apart and names nobody. Its node references, by role, are the only way nodes are found: names may be changed by hand
    and twins may exist.
    """

    def __init__(self, node: Any) -> None:
        self.node = node

    @classmethod
    def of(cls, scene: vtkMRMLScene) -> Record | None:
        """Return the record of a scene, None where there is none.

        Raises
        ------
        InputError
            ``scene-twice`` if the scene holds more than one, ``scene-outdated`` if it is of another version.
        """
        nodes = scene.GetNodesByClass("vtkMRMLScriptedModuleNode")
        found = [nodes.GetItemAsObject(index) for index in range(nodes.GetNumberOfItems())]
        found = [node for node in found if node.GetModuleName() == MODULE and node.GetParameter(_VERSION)]
        if not found:
            return None
        if len(found) > 1:
            raise InputError("scene-twice", "the scene holds more than one plan", "Close the scene, then open one case")
        version = found[0].GetParameter(_VERSION)
        if version != VERSION:
            raise InputError(
                "scene-outdated",
                f"the scene was saved in version {version}, expected {VERSION}",
                "Open the case folder",
            )
        return cls(found[0])

    @classmethod
    def made_in(cls, scene: vtkMRMLScene, series: str) -> Record:
        """Return a new, empty record for a scan of that digest."""
        node = vtkMRMLScriptedModuleNode()
        node.SetName("Cotyle plan")
        node.SetModuleName(MODULE)
        node.SetParameter(_VERSION, VERSION)
        node.SetParameter(_SERIES, series)
        return cls(scene.AddNode(node))

    @property
    def series(self) -> str:
        """Digest of the series the scene shows."""
        return str(self.node.GetParameter(_SERIES))

    @property
    def plan(self) -> PlanFile:
        """The plan.

        Raises
        ------
        InputError
            ``scene-without-plan``; ``field-invalid`` or ``schema-mismatch`` if its text is none of this version.
        """
        text = self.node.GetParameter(_PLAN)
        if not text:
            raise InputError("scene-without-plan", "the scene holds no plan", "Open the case folder")
        try:
            content = json.loads(text)
        except ValueError as error:
            raise InputError(
                "scene-without-plan", "the plan in the scene is damaged", "Open the case folder"
            ) from error
        return validated(PlanFile, content, "the plan in the scene")

    @plan.setter
    def plan(self, plan: PlanFile) -> None:
        # one line of ASCII: scene files are XML, whose attributes turn line breaks into blanks
        text = json.dumps(plan.as_dict(), sort_keys=True, ensure_ascii=True)
        if text != self.node.GetParameter(_PLAN):
            self.node.SetParameter(_PLAN, text)
            self.node.SetParameter(_SIDE, str(plan.side))

    def get(self, role: str) -> Any:
        """Return the node of a role or None."""
        return self.node.GetNodeReference(role)

    def node_of(self, role: str, kind: str, name: str) -> Any:
        """Return the node of a role, made anew where it is absent or of another class."""
        node = self.get(role)
        if node is not None and node.IsA(kind):
            return node
        # made by its class: a scene makes by name only what its application has registered
        node = getattr(slicer, kind)()
        node.SetName(name)
        node = self.node.GetScene().AddNode(node)
        self.node.SetNodeReferenceID(role, node.GetID())
        return node


def read_plan(scene: vtkMRMLScene) -> PlanFile:
    """Return the plan a scene holds; errors as in :class:`Record`, ``scene-without-plan`` where there is none."""
    record = Record.of(scene)
    if record is None:
        raise InputError("scene-without-plan", "the scene holds no plan", "Open the case folder")
    return record.plan
