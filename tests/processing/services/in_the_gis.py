"""Run by the Python of the desktop GIS: load the plug-in, run algorithms, and print what came of them as JSON."""

import json
import os
import sys


def results(plugins, site, out):
    sys.path[:0] = ["/usr/share/qgis/python/plugins", plugins]
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from qgis.core import (
        QgsApplication,
        QgsProcessingContext,
        QgsProcessingException,
        QgsProcessingFeedback,
        QgsProject,
        QgsRasterLayer,
    )

    application = QgsApplication([], True)
    application.initQgis()
    from processing.core.Processing import Processing

    import processing

    Processing.initialize()
    import lawngis_toolbox

    plugin = lawngis_toolbox.classFactory(None)
    plugin.initProcessing()
    provider = QgsApplication.processingRegistry().providerById("lawngis")
    said = {"algorithms": {one.name(): one.group() for one in provider.algorithms()}}
    said["icon"] = not provider.icon().isNull()
    zones = provider.algorithm("zones")
    said["widgets"] = {one.name(): one.type() for one in zones.parameterDefinitions()}
    doubt = zones.parameterDefinition("doubt_min")
    said["bounds"] = [doubt.minimum(), doubt.maximum(), doubt.defaultValue()]

    shares = []
    feedback = QgsProcessingFeedback()
    feedback.progressChanged.connect(shares.append)
    wanted = {"dem": f"{site}/dem.tif", "unit": "degree", "out": f"{out}/slope.tif"}
    slope = processing.run("lawngis:slope", wanted, feedback=feedback)
    said["slope"] = [QgsRasterLayer(slope["out"]).isValid(), shares[-1]]

    del shares[:]
    project = QgsProject.instance()
    context = QgsProcessingContext()
    context.setProject(project)
    wanted = {"site_folder": site, "parcel": ["P1"], "profile": "small", "out": f"{out}/plan"}
    processing.runAndLoadResults("lawngis:plan", wanted, feedback=feedback, context=context)
    for _ in range(20):  # what the GIS does with its layers when it gets round to it
        application.processEvents()
    layers = project.mapLayers().values()
    said["plan"] = {
        "layers": [node.layer().name() for node in project.layerTreeRoot().children()],
        "off": [node.name() for node in project.layerTreeRoot().children() if not node.isVisible()],
        "renderers": {layer.name(): type(layer.renderer()).__name__ for layer in layers},
        "shares": list(shares),
    }

    lawn = {"source": site, "profile_file": f"{out}/own.toml", "out": f"{out}/lawn.gpkg", "sliver_width_m": 0.2}
    lawn["source_folder"] = ""  # a widget that nobody filled in
    said["lawn"] = sorted(processing.run("lawngis:lawn", {**lawn, "load_layers": False}, feedback=feedback))
    said["check"] = json.loads(processing.run("lawngis:check", {"site": site}, feedback=feedback)["report"])["usable"]
    try:
        processing.run("lawngis:lawn", {**lawn, "source": f"{out}/nowhere"}, feedback=feedback)
    except QgsProcessingException as error:
        said["error"] = str(error)

    plan = provider.algorithm("plan").create()
    said["neither"] = plan.checkParameterValues({"out": out}, context)
    said["both"] = plan.checkParameterValues({"out": out, "site": f"{site}/site.gpkg", "site_folder": site}, context)

    plugin.unload()
    said["unloaded"] = QgsApplication.processingRegistry().providerById("lawngis") is None
    return said


if __name__ == "__main__":
    print("SAID", json.dumps(results(*sys.argv[1:])), flush=True)
    os._exit(0)  # libraries of the GIS may end badly without a window
