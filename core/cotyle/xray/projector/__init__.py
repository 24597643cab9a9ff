"""Line integrals of attenuation through a CT: a readable reference, and faster ones that agree with it."""
