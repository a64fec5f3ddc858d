"""Our own drawing of the body, shaded by how far each part of the exam got."""
