// Tally hatching: pass counts, one byte a cell, drawn as pen strokes on paper.
// The strokes belong to the ground and keep their size on the screen.
$HEADER$
uniform vec2 area;      // size of the picture, px
uniform vec2 centre;    // ground at its middle, metres from the corner of the texture
uniform vec2 turn;      // cos, sin of the picture's turn against north
uniform float scale;    // px in a metre
uniform vec2 texels;    // cells in the texture
uniform float cell;     // metres in a cell
uniform float target;   // passes wanted
uniform vec2 lean;      // cos, sin of the strokes' direction on the ground
uniform float pen;      // width of a stroke, px
uniform float gap;      // from stroke to stroke, px
uniform vec4 ink;
uniform vec4 paper;

float at(vec2 texel) {
    vec2 uv = (texel + 0.5) / texels;
    vec2 inside = step(vec2(0.0), uv) * step(uv, vec2(1.0));
    return texture2D(texture0, uv).r * 255.0 * inside.x * inside.y;
}

float stroke(float across) {
    float d = abs(fract(across / gap) - 0.5) * gap;
    return 1.0 - smoothstep(pen * 0.5 - 0.6, pen * 0.5 + 0.6, d);
}

float dot_grid(vec2 p, float pitch, float radius) {
    vec2 d = (fract(p / pitch) - 0.5) * pitch;
    return 1.0 - smoothstep(radius - 0.6, radius + 0.6, length(d));
}

void main(void) {
    vec2 px = (tex_coord0 - 0.5) * area;
    vec2 ground = centre + vec2(turn.x * px.x - turn.y * px.y, turn.y * px.x + turn.x * px.y) / scale;

    vec2 p = ground / cell - 0.5;
    vec2 base = floor(p);
    vec2 f = p - base;
    vec4 share = vec4((1.0 - f.x) * (1.0 - f.y), f.x * (1.0 - f.y), (1.0 - f.x) * f.y, f.x * f.y);
    vec4 byte = vec4(at(base), at(base + vec2(1.0, 0.0)), at(base + vec2(0.0, 1.0)), at(base + 1.0));
    vec4 known = vec4(1.0) - step(vec4(254.5), byte);
    vec4 count = byte * known;

    // edges between counts run smoothly through the cells instead of along their corners
    float soft = clamp(0.7 / (cell * scale), 0.02, 0.5);
    float some = smoothstep(0.5 - soft, 0.5 + soft, dot(share, step(vec4(0.5), count)));
    float full = smoothstep(0.5 - soft, 0.5 + soft, dot(share, step(vec4(target - 0.5), count)));
    float over = smoothstep(0.5 - soft, 0.5 + soft, dot(share, step(vec4(target + 0.5), count)));
    float unknown = smoothstep(0.5 - soft, 0.5 + soft, dot(share, vec4(1.0) - known));

    vec2 h = vec2(lean.x * ground.x + lean.y * ground.y, lean.x * ground.y - lean.y * ground.x) * scale;
    float one = stroke(h.x);
    float two = max(one, stroke(h.y));
    float block = 1.0 - dot_grid(h, gap * 0.8, pen * 0.62);
    float stipple = max(dot_grid(h, gap * 0.8, pen * 0.5), dot_grid(h + gap * 0.4, gap * 0.8, pen * 0.5));

    float v = mix(0.0, one, some);
    v = mix(v, two, full);
    v = mix(v, block, over);
    v = mix(v, stipple, unknown);
    gl_FragColor = mix(paper, ink, v) * frag_color;
}
