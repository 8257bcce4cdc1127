// Tally hatching: pass counts drawn as pen strokes on paper, one pixel at a time.
// What of each count lies here comes from one picture, the strokes from another: arithmetic for
// strokes and dots at every pixel costs a tablet without a graphics chip three times as much.
$HEADER$
uniform sampler2D strokes;  // red: strokes, green: crossed, blue: block, alpha: stipple
uniform float sharp;        // how fast a count gives way to its neighbour, in a cell
uniform vec4 ink;
uniform vec4 paper;
varying vec2 cell_here;
varying vec2 stroke_here;

void main(void) {
    vec4 pen = texture2D(strokes, stroke_here);
    // shares of some, at target, above target, unknown; their edges run smoothly through the cells
    // instead of along their corners
    vec4 share = clamp((texture2D(texture0, cell_here) - 0.5) * sharp + 0.5, 0.0, 1.0);
    float v = mix(mix(mix(pen.r * share.r, pen.g, share.g), pen.b, share.b), pen.a, share.a);
    gl_FragColor = mix(paper, ink, v) * frag_color;
}
