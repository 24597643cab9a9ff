"""The open shape model, and surfaces that follow a scan: what segmentation is made with."""
