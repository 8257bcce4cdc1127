// Which cell and which stroke lie at a corner of the picture; between the corners both run evenly.
// The strokes belong to the ground and keep their size on the screen.
$HEADER$
uniform vec2 area;      // size of the picture, px
uniform vec2 centre;    // ground at its middle, metres from the corner of the cells
uniform vec2 turn;      // cos, sin of the picture's turn against north
uniform float scale;    // px in a metre
uniform vec2 ground;    // metres of the whole picture of cells
uniform vec2 lean;      // cos, sin of the strokes' direction on the ground
uniform float tile;     // px of the picture of strokes
varying vec2 cell_here;
varying vec2 stroke_here;

void main(void) {
    vec2 px = (vTexCoords0 - 0.5) * area;
    vec2 place = centre + vec2(turn.x * px.x - turn.y * px.y, turn.y * px.x + turn.x * px.y) / scale;
    cell_here = place / ground;
    stroke_here = vec2(lean.x * place.x + lean.y * place.y, lean.x * place.y - lean.y * place.x) * scale / tile;
    frag_color = color * vec4(1.0, 1.0, 1.0, opacity);
    tex_coord0 = vTexCoords0;
    gl_Position = projection_mat * modelview_mat * vec4(vPosition.xy, 0.0, 1.0);
}
